"""The steady grid: its tones, their order and joins, and what is measured of them."""

import numpy as np
import pytest

from chainweigh.errors import SignalError
from chainweigh.measure.coherent import (
    HIGHEST_HZ,
    N_ANALYSIS_FRAMES,
    nearest_odd_bin,
    power_spectra,
)
from chainweigh.measure.tones import ToneGrid, measure_tones, tone_grid, tone_signal


@pytest.fixture(scope="module")
def grid():
    return tone_grid(44_100, -0.3)


@pytest.fixture(scope="module")
def signal(grid):
    return tone_signal(grid)


def small_grid(rate=44_100, peak_dbfs=0.0):
    centres = (63.0, 1000.0)
    bins = tuple(nearest_odd_bin(centre, rate) for centre in centres)
    levels = (peak_dbfs - 12, peak_dbfs)
    return ToneGrid(rate, peak_dbfs, centres, bins, levels, nearest_odd_bin(997, rate))


@pytest.mark.parametrize("rate", [8_000, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000, 384_000])
def test_every_tone_has_an_odd_bin_next_to_its_centre_and_room_for_a_harmonic(rate):
    grid = tone_grid(rate, 0.0)
    spacing_hz = rate / N_ANALYSIS_FRAMES
    assert all(k % 2 == 1 for k in grid.bins)
    assert np.all(np.abs(np.subtract(grid.frequencies_hz, grid.centres_hz)) <= spacing_hz)
    assert all(2 * f < rate / 2 for f in grid.frequencies_hz)


def test_997_hz_at_48_khz_is_bin_1361_and_5_khz_bin_6827():
    assert nearest_odd_bin(997, 48_000) == 1361
    assert nearest_odd_bin(5_000, 48_000) == 6827


def test_a_low_rate_drops_the_centres_whose_second_harmonic_does_not_fit():
    assert tone_grid(8_000, 0.0).centres_hz[-1] == 2000
    assert tone_grid(44_100, 0.0).centres_hz[-1] == 8000
    assert len(tone_grid(44_100, 0.0).centres_hz) == 10


def test_levels_are_the_peak_and_the_stated_steps_below_it_quietest_first(grid):
    below = np.array(grid.levels_dbfs) - grid.peak_dbfs
    assert np.allclose(below, [-30, -20, -12, -8, -6, -4, -3, -2, -1, 0], atol=1e-12)


def test_the_tones_come_quietest_first_and_997_hz_last(grid):
    levels = [level for _, level in grid.tones]
    assert levels == sorted(levels)
    assert grid.tones[-1] == (nearest_odd_bin(997, 44_100), -0.3)


def test_each_window_holds_its_tone_at_its_peak(grid, signal):
    windows = grid.segments.windows(signal, what="signal")[0]
    peaks_dbfs = 20 * np.log10(windows.max(axis=1))
    assert np.allclose(peaks_dbfs, [level for _, level in grid.tones], atol=1e-5)


def test_no_sample_exceeds_the_peak_of_the_louder_neighbour(grid, signal):
    length = grid.segments.n_segment_frames
    loudest = np.abs(signal[0, : length * len(grid.tones)]).reshape(-1, length).max(axis=1)
    allowed = [10 ** (level / 20) * (1 + 1e-6) for _, level in grid.tones]
    assert np.all(loudest <= allowed)


def test_the_joins_have_no_step_steeper_than_the_tones_themselves(grid, signal):
    steepest = np.abs(np.diff(signal[0])).max()
    peak = 10 ** (grid.peak_dbfs / 20)
    assert steepest <= peak * 2 * np.pi * max(grid.frequencies_hz) / grid.sample_rate_hz
    assert signal[0, 0] == pytest.approx(0, abs=1e-6)
    assert signal[0, -1] == pytest.approx(0, abs=1e-6)


def test_a_bypass_reads_only_the_rounding_of_float32(grid, signal):
    results = measure_tones(signal, grid)
    assert results.thdn_pct.max() < 5e-6  # 2^-25 relative, spread over the window, is -152 dB
    assert results.thdn_peak_pct < 5e-6
    assert results.undefined == {}


def test_gain_and_polarity_read_as_clean():
    grid = small_grid()
    results = measure_tones(tone_signal(grid) * np.float32(-0.25), grid)
    assert results.thdn_pct.max() < 5e-6


def test_the_next_louder_tone_does_not_leak_into_a_window_through_look_ahead():
    """A gain that drops ahead of each step, by the longest reach the guard allows, stays unseen."""
    grid = small_grid()
    signal = tone_signal(grid)
    reach = int(0.19 * grid.sample_rate_hz)
    gain = np.ones(grid.n_frames, np.float32)
    for i in range(1, len(grid.tones)):
        start = i * grid.segments.n_segment_frames
        gain[start - reach : start] = np.linspace(1, 0.25, reach)
    assert measure_tones(signal * gain, grid).thdn_pct.max() < 5e-6


def test_a_long_linear_phase_filter_reads_as_clean():
    from scipy.signal import firwin, oaconvolve

    grid = small_grid()
    taps = firwin(16_383, [30, 8_000], fs=grid.sample_rate_hz, pass_zero=False)
    output = oaconvolve(tone_signal(grid).astype(float), taps[None], mode="same")
    assert measure_tones(output.astype(np.float32), grid).thdn_pct.max() < 1e-5


def test_a_whole_sample_delay_changes_nothing():
    grid = small_grid()
    signal = np.clip(tone_signal(grid), -0.5, 0.5)
    late = np.pad(signal, ((0, 0), (300, 0)))
    difference = measure_tones(late, grid).thd_pct - measure_tones(signal, grid).thd_pct
    assert np.abs(difference).max() < 1e-6


def test_the_parts_add_up_in_power():
    grid = small_grid()
    results = measure_tones(np.clip(tone_signal(grid), -0.3, 0.4), grid)
    parts = results.thd_pct**2 + results.inharmonic_pct**2
    assert np.allclose(parts, results.thdn_pct**2)


def test_rows_are_frequencies_and_columns_levels():
    grid = small_grid()
    results = measure_tones(np.clip(tone_signal(grid), -0.5, 0.5), grid)
    assert results.thdn_pct.shape == (2, 2)
    assert np.all(results.thdn_pct[:, 0] < 1e-5)
    assert np.all(results.thdn_pct[:, 1] > 22)


def test_hum_is_inharmonic_and_a_second_harmonic_is_harmonic():
    grid = small_grid()
    signal = tone_signal(grid)
    time_s = np.arange(grid.n_frames) / grid.sample_rate_hz
    hum = 0.01 * np.sin(2 * np.pi * nearest_odd_bin(150, 44_100) * 44_100 / 65_536 * time_s)
    hummed = measure_tones((signal + hum).astype(np.float32), grid)
    share = 100 * 0.01 / np.hypot(1, 0.01)
    assert hummed.inharmonic_pct[1, 1] == pytest.approx(share, rel=1e-4)
    assert hummed.thd_pct[1, 1] < 1e-4
    squared = measure_tones(signal + np.float32(0.02) * signal**2, grid)
    assert squared.thd_pct[1, 1] == pytest.approx(share, rel=1e-4)
    assert squared.inharmonic_pct[1, 1] < 1e-4


def test_what_lies_above_20_khz_or_below_20_hz_is_not_counted():
    grid = small_grid()
    time_s = np.arange(grid.n_frames) / grid.sample_rate_hz
    outside = 0.1 + 0.1 * np.sin(2 * np.pi * 31_001 * 44_100 / 65_536 * time_s)
    assert HIGHEST_HZ < 31_001 * 44_100 / 65_536
    output = (tone_signal(grid) + outside).astype(np.float32)
    assert measure_tones(output, grid).thdn_pct.max() < 2e-5


def test_equal_sides_read_like_one_and_unequal_sides_add_in_power():
    grid = small_grid()
    signal = tone_signal(grid)
    clipped = np.clip(signal, -0.5, 0.5)
    mono = measure_tones(clipped, grid).thdn_pct
    both = measure_tones(np.concatenate([clipped, clipped]), grid).thdn_pct
    assert np.allclose(mono, both)
    one_side = measure_tones(np.concatenate([clipped, np.zeros_like(clipped)]), grid).thdn_pct
    assert np.allclose(mono, one_side)


def test_a_silent_tone_is_none_with_a_reason():
    grid = small_grid()
    signal = tone_signal(grid)
    gated = np.where(np.abs(signal) < 0.26, np.float32(0), signal)
    results = measure_tones(gated, grid)
    assert results.thdn_pct.tolist()[0][0] is None
    assert results.thdn_pct.tolist()[0][1] > 0
    assert results.undefined["thdn_pct"] == "2 of 4 tones came back silent"
    silent = measure_tones(np.full_like(signal, 0.5), grid)
    assert silent.thdn_peak_pct is None
    assert silent.undefined["thdn_peak_pct"] == "the 997 Hz tone came back silent"
    assert silent.thd_pct.tolist() == [[None, None], [None, None]]


def test_the_signal_of_one_level_is_another_s_scaled():
    loud, soft = tone_signal(small_grid(peak_dbfs=0.0)), tone_signal(small_grid(peak_dbfs=-20.0))
    assert np.allclose(loud * 0.1, soft, atol=1e-7)


def test_making_the_signal_twice_gives_the_same_bytes():
    assert tone_signal(small_grid()).tobytes() == tone_signal(small_grid()).tobytes()


@pytest.mark.parametrize(
    ("rate", "peak_dbfs", "message"),
    [
        (44.1, 0.0, "was kHz meant"),
        (44_100, float("-inf"), "silent programme"),
        (44_100, float("nan"), "silent programme"),
        (44_100, 60.0, "-120 to 40 dBFS is allowed"),
        (44_100, -160.0, "-120 to 40 dBFS is allowed"),
    ],
)
def test_a_grid_refuses_a_rate_or_peak_that_cannot_be_meant(rate, peak_dbfs, message):
    with pytest.raises(SignalError, match=message):
        tone_grid(rate, peak_dbfs)


def test_an_output_shorter_than_the_signal_is_refused():
    grid = small_grid()
    with pytest.raises(SignalError, match="the signal that was to be rendered has"):
        measure_tones(tone_signal(grid)[:, :-1].copy(), grid)


def test_an_output_that_is_not_finite_or_not_float32_is_refused():
    grid = small_grid()
    broken = tone_signal(grid).copy()
    broken[0, 17] = np.nan
    with pytest.raises(SignalError, match="sample 17 of channel 0"):
        measure_tones(broken, grid)
    with pytest.raises(SignalError, match="float64"):
        measure_tones(tone_signal(grid).astype(np.float64), grid)


def test_a_tail_after_the_signal_is_ignored():
    grid = small_grid()
    longer = np.pad(tone_signal(grid), ((0, 0), (0, 5_000)), constant_values=1)
    assert measure_tones(longer, grid).thdn_pct.max() < 5e-6


def test_half_a_window_has_the_spectrum_of_the_whole_it_is_half_of():
    halves = np.random.default_rng(6).standard_normal((2, 3, N_ANALYSIS_FRAMES // 2))
    halves = halves.astype(np.float32)
    whole = np.concatenate([halves, -halves], axis=2).astype(float)
    power = np.sum(np.abs(np.fft.rfft(whole)) ** 2, axis=0) * 2 / N_ANALYSIS_FRAMES**2
    assert power_spectra(halves) == pytest.approx(power, rel=1e-10, abs=1e-20)
