"""How the set came about, in the terminal."""

from dataclasses import replace

from chainweigh.ranking.set_results import GroupShare, PeakMoment, Peaks, PeakSection
from chainweigh.report.set_table import set_lines


def section(from_s, peak_dbtp, drums_pct):
    shares = (GroupShare("drums", drums_pct, 6.0), GroupShare("brass", 100 - drums_pct, 1.0))
    return PeakSection(from_s, from_s + 10, peak_dbtp, shares)


def test_peaks_are_whose_they_are_by_moment_and_by_stretch_of_the_song(results):
    sections = (section(0, -2.0, 90), section(10, -1.5, 71), section(20, -3.0, 40))
    moment = PeakMoment(12.5, 1, -1.5, sections[1].shares)
    peaks = Peaks((moment,), sections, sections[0].shares)
    chosen = replace(results.chosen, peaks_before=peaks, peaks_after=peaks)
    lines = list(set_lines(chosen, 100))
    assert "- 12.50 s: -1.50 dBTP, 71 % of it drums; without it 6.00 dB lower" in lines
    assert "- 0 to 20 s: up to -1.50 dBTP, drums makes 71 to 90 % of the peaks" in lines
    assert "- 20 to 30 s: up to -3.00 dBTP, brass makes 60 % of the peaks" in lines
