"""The drawing of a file over time: nothing that matters is left out of it."""

from xml.etree import ElementTree

import numpy as np
import pytest

from chainweigh.measure.loudness import LoudnessSeries
from chainweigh.measure.psr import PeakToShortTerm
from chainweigh.measure.series import LevelSeries, measure_series
from chainweigh.report.series_plot import LOUDNESS_BOTTOM, LOUDNESS_TOP, series_plot

SVG = "{http://www.w3.org/2000/svg}"


def lines_of(text, kind):
    """Points of each line of a kind, shape (n_points, 2)."""
    drawing = ElementTree.fromstring(text)
    lines = [e for e in drawing.iter(f"{SVG}polyline") if e.get("class") == f"line {kind}"]
    return [np.array([p.split(",") for p in e.get("points").split()], float) for e in lines]


def texts_of(text):
    return [e.text for e in ElementTree.fromstring(text).iter(f"{SVG}text")]


def series(momentary_lufs, *, psr=((3.0, 12.0), (4.0, 11.0)), step_s=0.01):
    momentary_lufs = np.asarray(momentary_lufs, float)
    times_s = 0.4 + step_s * np.arange(len(momentary_lufs))
    psr_s, psr_db = np.array(psr, float).T
    return LevelSeries(
        LoudnessSeries(times_s, momentary_lufs),
        LoudnessSeries(times_s[:0], momentary_lufs[:0]),
        PeakToShortTerm(psr_s, psr_db, float(psr_db.min())),
        -20.0,
    )


def test_one_loud_moment_of_an_hour_is_drawn_at_its_height():
    levels = np.full(360_000, -20.0)
    levels[123_456] = -12.0
    (line,) = lines_of(series_plot("long", series(levels)), "momentary")
    assert len(line) < 4000
    assert line[:, 1].min() == LOUDNESS_TOP  # -12 LUFS is a tick: the scale ends there


def test_silence_parts_the_line():
    levels = np.r_[np.full(100, -20.0), np.full(50, -np.inf), np.full(70, -22.0)]
    lines = lines_of(series_plot("gap", series(levels)), "momentary")
    assert [len(line) for line in lines] == [100, 70]


def test_a_second_without_psr_parts_its_line():
    psr = ((3.0, 12.0), (4.0, 11.0), (8.0, 10.0), (9.0, 10.0))
    lines = lines_of(series_plot("gap", series(np.full(1000, -20.0), psr=psr)), "psr")
    assert [len(line) for line in lines] == [2, 2]


def test_what_is_far_below_runs_along_the_foot():
    levels = np.r_[np.full(990, -10.0), np.full(10, -69.0)]
    (line,) = lines_of(series_plot("quiet", series(levels)), "momentary")
    assert line[:, 1].max() == LOUDNESS_BOTTOM


def test_the_loudness_scale_says_what_lies_at_its_lines():
    texts = texts_of(series_plot("x", series(np.full(500, -13.0))))
    assert "\N{MINUS SIGN}12" in texts and "\N{MINUS SIGN}30" in texts
    assert "integrated \N{MINUS SIGN}20.00 LUFS" in texts


@pytest.mark.parametrize("n_frames", [1, 17_595, 60_000])
def test_a_file_too_short_for_a_window_says_so(n_frames):
    samples = np.full((1, n_frames), 0.1, np.float32)
    texts = texts_of(series_plot("short", measure_series(samples, 44_100)))
    window = "400 ms" if n_frames < 17_640 else "3000 ms"
    assert any(window in text and "shorter" in text for text in texts)
