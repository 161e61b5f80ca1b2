"""Drawings, parsed with the standard library's XML parser; positions against closed forms."""

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
import pytest

from chainweigh.ranking.overview import Moment, overview_of
from chainweigh.ranking.results import Search, SearchPoint
from chainweigh.ranking.set_results import GroupShare, Peaks
from chainweigh.report.before_after import loudness_figure, moment_figure, waveform_figure
from chainweigh.report.drive_figures import drive_figures
from chainweigh.report.figures import candidate_figures
from chainweigh.report.peaks_figure import peaks_figure

RATE_HZ = 48000
HOSTILE = '<b>"x"</b> & 🔥'


def parsed(figure):
    return ElementTree.fromstring(figure.svg)


def points(svg, kind=None):
    """Corners of the first path of a class, or of the first curve without one."""
    path = next(p for p in svg.iter("path") if p.get("class") == kind)
    numbers = re.findall(r"-?\d+(?:\.\d+)?", path.get("d"))
    return np.array(numbers, dtype=float).reshape(-1, 2)


def search(**changes):
    curve = tuple(
        SearchPoint(-float(d), 0.5 * d, d, float(d), None, None, None, None, d < 6, False)
        for d in (0, 2, 4, 6, 8)
    )
    values = {
        "stage": 1,
        "effect": "clip",
        "parameter": "ceiling",
        "unit": "dB",
        "level": "hits",
        "from_db": 0.0,
        "to_db": -8.0,
        "found_db": -4.0,
        "found": "hits - 4 dB",
        "ended": "budget",
        "stopped_by": "disturbed_pct",
        "crossed_at_db": -6.0,
        "crossed_at_s": (3.0,),
        "n_evaluated": 5,
        "said": "Found.",
        "curve": curve,
    }
    return Search(**{**values, **changes})


def test_a_drive_curve_rises_to_the_right_and_marks_where_the_budget_is_crossed():
    gain, distortion = drive_figures(search())
    for figure in (gain, distortion):
        curve = points(parsed(figure))
        assert np.all(np.diff(curve[:, 0]) > 0)
        assert np.all(np.diff(curve[:, 1]) < 0)
        left, right = curve[0, 0], curve[-1, 0]
        found, crossed = (re.findall(rf'class="{k}" d="M([\d.]+)', figure.svg) for k in MARKS)
        assert float(found[0]) == pytest.approx(left + (right - left) * 4 / 8)
        assert float(crossed[0]) == pytest.approx(left + (right - left) * 6 / 8)


MARKS = ("found", "worst")


def test_a_search_that_found_nothing_marks_nothing():
    gain, _ = drive_figures(search(found_db=None, crossed_at_db=None))
    assert not any(kind in gain.svg for kind in MARKS)
    assert list(drive_figures(search(curve=()))) == []


def test_names_in_drawings_are_text(make):
    for figure in (
        *candidate_figures(make.candidate(HOSTILE, 1, 1.0, 1.0)),
        *drive_figures(search(parameter=HOSTILE, said=HOSTILE)),
        peaks_figure(*[Peaks((), (), (GroupShare(HOSTILE, 60.0, 1.0),))] * 2),
    ):
        assert not list(parsed(figure).iter("b"))
        assert HOSTILE in parsed(figure).get("aria-label")


def test_a_table_of_tones_edited_out_of_shape_is_not_drawn(make):
    whole = make.candidate("x", 1, 1.0, 1.0)
    assert len(candidate_figures(whole)) == 3
    short = replace(whole.tones, thdn_pct=whole.tones.thdn_pct[:-1])
    assert len(candidate_figures(replace(whole, tones=short))) == 1
    assert candidate_figures(replace(whole, tones=None, spectrum=None)) == ()


def test_bars_of_peaks_are_as_long_as_the_shares():
    before = Peaks((), (), (GroupShare("a", 80.0, 3.0), GroupShare("b", 20.0, 0.5)))
    after = Peaks((), (), (GroupShare("a", 50.0, 1.0), GroupShare("b", -10.0, None)))
    svg = peaks_figure(before, after).svg
    bars = re.findall(r'class="wave (\w+)" d="M([\d.]+) [\d.]+H([\d.]+)', svg)
    lengths = [float(end) - float(start) for _, start, end in bars]
    assert [kind for kind, *_ in bars] == ["before", "after"] * 2
    assert np.array(lengths) / lengths[0] == pytest.approx([1, 5 / 8, 1 / 4, 1 / 8], abs=0.001)


def sine(peak, n_s=4):
    time_s = np.arange(n_s * RATE_HZ) / RATE_HZ
    return (peak * np.sin(2 * np.pi * 997 * time_s)).astype(np.float32)[None].repeat(2, axis=0)


def test_a_waveform_is_as_high_as_its_peaks_and_marks_its_moments():
    before, after = (overview_of(sine(peak), RATE_HZ) for peak in (1.0, 0.5))
    svg = parsed(waveform_figure(before, after, (1.0, 3.0, 99.0)))
    heights = [np.ptp(points(svg, f"wave {kind}")[:, 1]) for kind in ("before", "after")]
    assert heights[1] == pytest.approx(heights[0] / 2, rel=0.01)
    assert len([p for p in svg.iter("path") if p.get("class") == "worst"]) == 2


def test_loudness_over_time_is_the_sines_own():
    """A 997 Hz sine of full scale on both sides reads -3.01 + 3.01 LUFS (BS.1770)."""
    series = overview_of(sine(0.1), RATE_HZ).short_term
    assert series.loudness_lufs == pytest.approx(-20.0, abs=0.02)
    figure = loudness_figure([("before", overview_of(sine(0.1), RATE_HZ))])
    assert np.ptp(points(parsed(figure), "floor")[:, 1]) < 1


def test_a_silent_or_short_song_is_said_to_be_so():
    for samples in (np.zeros((2, 5 * RATE_HZ), np.float32), sine(0.1, 1)):
        figure = loudness_figure([("before", overview_of(samples, RATE_HZ))])
        assert "shorter than 3 s, or silent" in figure.svg


def test_the_worst_moment_shows_both_sides_sample_by_sample():
    reference = sine(1.0)[0, :960]
    figure = moment_figure(Moment(1.5, RATE_HZ, reference, np.clip(reference, -0.5, 0.5)))
    svg = parsed(figure)
    before, after = np.ptp(points(svg, "floor")[:, 1]), np.ptp(points(svg)[:, 1])
    assert after == pytest.approx(before / 2, rel=0.01)
    assert "from 1.500 s" in figure.description
