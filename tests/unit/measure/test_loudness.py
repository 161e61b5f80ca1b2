"""Loudness: what is undefined, what is refused, gain, time series."""

import math

import numpy as np
import pytest

from chainweigh.errors import SignalError
from chainweigh.kernels import native_library
from chainweigh.measure.loudness import (
    LoudnessEnergies,
    loudness_energies,
    measure_loudness,
    momentary_lufs,
    short_term_lufs,
    sliding_sum,
)

RATE = 48_000


def tone(n_frames, level_db=-20.0, n_channels=2):
    wave = 10 ** (level_db / 20) * np.sin(2 * np.pi * 997 / RATE * np.arange(n_frames))
    return np.ascontiguousarray(np.broadcast_to(wave.astype(np.float32), (n_channels, n_frames)))


@pytest.mark.parametrize("n_frames", [0, 1, 19_199])
def test_below_400_ms_nothing_is_defined_and_the_reason_is_given(n_frames):
    loudness = measure_loudness(tone(n_frames), RATE)
    for name in ("integrated_lufs", "momentary_max_lufs"):
        assert getattr(loudness, name) is None
        assert "400 ms" in loudness.undefined[name]
    for name in ("short_term_max_lufs", "lra_lu"):
        assert getattr(loudness, name) is None
        assert "3000 ms" in loudness.undefined[name]


def test_400_ms_suffice_for_integrated_and_momentary():
    loudness = measure_loudness(tone(19_200), RATE)
    assert loudness.integrated_lufs == pytest.approx(-20.0, abs=0.01)
    assert loudness.momentary_max_lufs == loudness.integrated_lufs
    assert set(loudness.undefined) == {"short_term_max_lufs", "lra_lu"}


def test_3_s_suffice_for_all():
    loudness = measure_loudness(tone(144_000), RATE)
    assert not loudness.undefined
    assert loudness.short_term_max_lufs == pytest.approx(-20.0, abs=0.01)
    assert loudness.lra_lu == 0.0


def test_digital_silence_is_undefined_and_named_so():
    loudness = measure_loudness(np.zeros((2, RATE * 4), dtype=np.float32), RATE)
    assert set(loudness.undefined.values()) == {"digital silence"}
    assert len(loudness.undefined) == 4
    assert loudness.integrated_lufs is None


def test_below_the_gate_only_the_ungated_figures_are_defined():
    loudness = measure_loudness(tone(RATE * 4, -80.0), RATE)
    assert loudness.momentary_max_lufs == pytest.approx(-80.0, abs=0.01)
    assert loudness.short_term_max_lufs == pytest.approx(-80.0, abs=0.01)
    assert set(loudness.undefined) == {"integrated_lufs", "lra_lu"}
    assert "-70 LUFS" in loudness.undefined["integrated_lufs"]


def test_dc_is_blocked():
    # The high-pass has a double zero at 0 Hz: after its onset a constant leaves nothing.
    series = momentary_lufs(np.full((1, RATE * 4), 0.5, dtype=np.float32), RATE)
    assert series.loudness_lufs[-1] < -200.0


def test_a_gain_moves_a_steady_tone_by_just_that_until_the_gate_closes():
    energies = loudness_energies(tone(RATE * 4), RATE)
    at_rest = energies.integrated_lufs()
    for gain_db in (-49.0, -3.0, 0.001, 20.0):
        assert energies.integrated_lufs(gain_db) == pytest.approx(at_rest + gain_db, abs=1e-9)
    assert energies.integrated_lufs(-51.0) is None


def test_the_absolute_gate_moves_with_the_gain():
    samples = np.concatenate([tone(RATE * 10, -64.0), tone(RATE * 10, -68.0)], axis=1)
    energies = loudness_energies(samples, RATE)
    both = 10 * np.log10((10**-6.4 + 10**-6.8) / 2)
    assert energies.integrated_lufs() == pytest.approx(both, abs=0.02)
    # Less 4 dB the second half is out, and the first reads alone.
    assert energies.integrated_lufs(-4.0) == pytest.approx(-68.0, abs=0.05)


def test_series_times_are_the_ends_of_their_windows():
    momentary = momentary_lufs(tone(RATE), RATE, hop_ms=20)
    np.testing.assert_allclose(momentary.times_s, np.arange(0.4, 1.001, 0.02))
    assert momentary.loudness_lufs.shape == momentary.times_s.shape
    short = short_term_lufs(tone(RATE * 5), RATE, hop_ms=100)
    np.testing.assert_allclose(short.times_s, np.arange(3.0, 5.01, 0.1))
    assert short.loudness_lufs.shape == short.times_s.shape
    assert short_term_lufs(tone(RATE), RATE).times_s.size == 0


def test_a_series_marks_silence_with_minus_infinity():
    series = momentary_lufs(np.zeros((1, RATE), dtype=np.float32), RATE)
    assert (series.loudness_lufs == -math.inf).all()


def test_sliding_sum_equals_numpy_windows():
    values = np.random.default_rng(2).random(700)
    for width in (1, 2, 3, 40, 300, 700):
        windows = np.lib.stride_tricks.sliding_window_view(values, width)
        np.testing.assert_allclose(sliding_sum(values, width), windows.sum(axis=1), rtol=1e-13)
    assert sliding_sum(values, 701).size == 0


def test_energies_are_weighted_per_channel():
    both = loudness_energies(tone(RATE, n_channels=2), RATE, channel_weights=(1.0, 0.0))
    one = loudness_energies(tone(RATE, n_channels=1), RATE)
    assert isinstance(both, LoudnessEnergies)
    np.testing.assert_array_equal(both.hop_energies, one.hop_energies)


def test_without_a_compiler_the_twins_give_the_same_figures(monkeypatch):
    rng = np.random.default_rng(4)
    samples = (0.1 * rng.standard_normal((2, RATE * 4))).astype(np.float32)
    compiled = measure_loudness(samples, RATE)
    monkeypatch.setattr(native_library, "compiled", False)
    twins = measure_loudness(samples, RATE)
    for name in ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "lra_lu"):
        assert getattr(twins, name) == pytest.approx(getattr(compiled, name), abs=1e-9)


def not_finite(value, frame=777):
    samples = tone(RATE)[:, :40_100].copy()  # the last 260 frames make no whole hop
    samples[1, frame] = value
    return samples


@pytest.mark.parametrize(
    ("samples", "rate", "says"),
    [
        (not_finite(np.nan), RATE, "sample 777 of channel 1"),
        (not_finite(-np.inf), RATE, "sample 777 of channel 1"),
        (not_finite(np.inf, 40_099), RATE, "sample 40099 of channel 1"),
        (tone(RATE)[0], RATE, "shape"),
        (tone(RATE).T, RATE, "channels"),
        (tone(RATE).astype(np.float64), RATE, "float32"),
        (tone(RATE), 0, "8000 to 384000"),
        (tone(RATE), 48, "kHz"),
        (tone(RATE), 44_100.5, "whole"),
        (tone(RATE), math.nan, "8000 to 384000"),
        (tone(RATE, n_channels=5), RATE, "channel_weights"),
    ],
)
def test_unusable_input_is_refused(samples, rate, says):
    with pytest.raises(SignalError, match=says):
        measure_loudness(samples, rate)


@pytest.mark.parametrize("weights", [(1.0,), (1.0, -1.0), (1.0, math.nan), (1.0, 1.0, 1.0)])
def test_unusable_weights_are_refused(weights):
    with pytest.raises(SignalError, match="channel_weights"):
        measure_loudness(tone(RATE), RATE, channel_weights=weights)


@pytest.mark.parametrize("hop_ms", [0, -10, 5, 15, 12.5])
def test_a_hop_off_the_10_ms_grid_is_refused(hop_ms):
    with pytest.raises(SignalError, match="multiple of 10 ms"):
        momentary_lufs(tone(RATE), RATE, hop_ms=hop_ms)
