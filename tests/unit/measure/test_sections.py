"""Sections against programmes whose parts have known levels."""

import numpy as np
import pytest

from chainweigh.errors import SignalError
from chainweigh.measure.loudness import LoudnessSeries, short_term_lufs
from chainweigh.measure.sections import contrast_lu, loudest_section, measure_contrast

RATE = 48_000


def series(values):
    values = np.asarray(values, dtype=np.float64)
    return LoudnessSeries(np.arange(len(values)) / 10, values)


def programme(*parts):
    """A tone of parts (length in s, level in dB)."""
    gains = np.concatenate([np.full(round(s * RATE), 10 ** (db / 20)) for s, db in parts])
    return (gains * np.sin(2 * np.pi * 997 * np.arange(len(gains)) / RATE))[np.newaxis].astype(
        np.float32
    )


def test_two_levels_stand_their_difference_apart():
    assert contrast_lu(np.repeat([-10.0, -22.0], 50)) == pytest.approx(12)


def test_a_steady_programme_has_no_contrast():
    assert contrast_lu(np.full(40, -14.0)) == pytest.approx(0)


def test_a_decile_is_the_mean_power_of_a_tenth_of_the_windows():
    # 20 windows: the loudest two are -10 and -13, the quietest two -30 and -33.
    values = np.array([-20.0] * 16 + [-10, -13, -30, -33])
    loud, quiet = (
        10 * np.log10((10 ** (a / 10) + 10 ** (b / 10)) / 2) for a, b in ((-10, -13), (-30, -33))
    )
    assert contrast_lu(values) == pytest.approx(loud - quiet)


def test_silence_and_what_lies_below_the_gate_do_not_count():
    heard = np.repeat([-10.0, -22.0], 50)
    padded = np.concatenate([np.full(100, -np.inf), heard, np.full(100, -71.0)])
    assert contrast_lu(padded) == pytest.approx(contrast_lu(heard))


@pytest.mark.parametrize("values", [[], [-np.inf] * 5, [-80.0] * 5])
def test_without_a_sounding_window_it_is_undefined(values):
    assert contrast_lu(np.array(values, dtype=np.float64)) is None
    contrast = measure_contrast(series(values), series(values))
    assert contrast.contrast_change_lu is contrast.quiet_change_lu is None
    assert len(contrast.undefined) == 4


def test_a_lifted_breakdown_shows():
    before = series([-10.0] * 80 + [-20.0] * 20)
    after = series([-10.0] * 80 + [-15.0] * 20)
    contrast = measure_contrast(before, after)
    assert contrast.reference_contrast_lu == pytest.approx(10)
    assert contrast.candidate_contrast_lu == pytest.approx(5)
    assert contrast.contrast_change_lu == pytest.approx(-5)
    assert contrast.quiet_change_lu == pytest.approx(5)
    assert not contrast.undefined


def test_the_quiet_change_follows_the_references_moments():
    # The candidate lifts the breakdown but dips elsewhere: contrast alone would hide the lift.
    before = series([-10.0] * 80 + [-20.0] * 10)
    after = series([-10.0] * 70 + [-20.0] * 10 + [-10.0] * 10)
    contrast = measure_contrast(before, after)
    assert contrast.contrast_change_lu == pytest.approx(0)
    assert contrast.quiet_change_lu == pytest.approx(10)


def test_a_candidate_silent_in_the_quiet_part_is_undefined_there():
    contrast = measure_contrast(series([-10.0] * 9 + [-20.0]), series([-10.0] * 9 + [-np.inf]))
    assert contrast.quiet_change_lu is None
    assert "silent" in contrast.undefined["quiet_change_lu"]
    assert contrast.candidate_contrast_lu == pytest.approx(0)


def test_short_term_loudness_of_a_real_signal():
    # 30 s loud, 30 s 9 dB down: over a tenth of the 3 s windows lie wholly in each.
    samples = programme((30, -6), (30, -15))
    short_term = short_term_lufs(samples, RATE, hop_ms=100)
    assert contrast_lu(short_term.loudness_lufs) == pytest.approx(9, abs=1e-3)


def test_the_loudest_section_is_where_the_tone_is_loudest():
    samples = programme((7, -20), (12, -6), (15, -20))
    start_s, end_s = loudest_section(samples, RATE)
    assert end_s - start_s == pytest.approx(10)
    assert 6.99 <= start_s <= 9.01


def test_a_section_of_exactly_its_length_is_found_to_ten_milliseconds():
    samples = programme((7.3, -20), (10, -6), (8, -20))
    assert loudest_section(samples, RATE) == pytest.approx((7.3, 17.3), abs=0.011)


def test_a_short_signal_is_one_section_and_none_is_empty():
    assert loudest_section(programme((4, -6)), RATE) == pytest.approx((0, 4))
    assert loudest_section(np.zeros((1, 0), np.float32), RATE) == (0, 0)


def test_broken_series_are_refused():
    with pytest.raises(SignalError, match="NaN"):
        contrast_lu(np.array([-10.0, np.nan]))
    with pytest.raises(SignalError, match="infinite"):
        contrast_lu(np.array([-10.0, np.inf]))
    with pytest.raises(SignalError, match="same"):
        measure_contrast(series([-10.0]), series([-10.0, -11.0]))
