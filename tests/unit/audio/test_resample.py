"""Resampling against closed forms."""

import numpy as np
import pytest

from chainweigh.audio import Audio, resample
from chainweigh.errors import SignalError

RATES = [(44_100, 48_000), (48_000, 44_100), (96_000, 44_100), (48_000, 192_000)]


def sine(rate_hz: int, n_frames: int, frequency_hz: float) -> np.ndarray:
    return np.sin(2 * np.pi * frequency_hz * np.arange(n_frames) / rate_hz)


@pytest.mark.parametrize(("present_hz", "wanted_hz"), RATES)
@pytest.mark.parametrize(
    ("frequency_hz", "gain_tolerance_db"),
    [(100, 1e-6), (997, 1e-6), (15_000, 1e-4), (20_000, 0.01)],
)
def test_a_sine_stays_the_same_sine(present_hz, wanted_hz, frequency_hz, gain_tolerance_db):
    """Closed form: gain and phase of the best-fitting sine, and what it leaves, off the ends."""
    audio = Audio(sine(present_hz, present_hz, frequency_hz).astype(np.float32)[None], present_hz)
    result = resample(audio, wanted_hz).samples[0].astype(np.float64)
    phase = 2 * np.pi * frequency_hz * np.arange(len(result)) / wanted_hz
    middle = slice(wanted_hz // 10, -wanted_hz // 10)
    basis = np.stack([np.sin(phase), np.cos(phase)], axis=1)[middle]
    (in_phase, quadrature), *_ = np.linalg.lstsq(basis, result[middle])
    rest = result[middle] - basis @ (in_phase, quadrature)
    assert 20 * np.log10(np.hypot(in_phase, quadrature)) == pytest.approx(0, abs=gain_tolerance_db)
    assert np.arctan2(quadrature, in_phase) == pytest.approx(0, abs=1e-9)
    assert 20 * np.log10(np.sqrt(np.mean(rest**2))) < -150


def test_what_lies_above_the_new_nyquist_frequency_is_gone():
    audio = Audio(sine(96_000, 96_000, 30_000.0).astype(np.float32)[None], 96_000)
    middle = resample(audio, 48_000).samples[0, 4_800:-4_800]
    assert np.abs(middle).max() < 1e-6


@pytest.mark.parametrize(
    ("n_frames", "present_hz", "wanted_hz", "expected"),
    [
        (48_000, 48_000, 44_100, 44_100),
        (48_000, 44_100, 48_000, 52_245),  # 52244.90 rounded up
        (44_101, 44_100, 48_000, 48_002),  # 48001.09 rounded up
        (1, 44_100, 48_000, 2),
        (3, 96_000, 8_000, 1),
        (1, 384_000, 8_000, 1),
        (1, 8_000, 384_000, 48),
    ],
)
def test_the_length_is_rounded_up(n_frames, present_hz, wanted_hz, expected):
    audio = Audio(np.ones((2, n_frames), np.float32), present_hz)
    assert resample(audio, wanted_hz).samples.shape == (2, expected)


def test_at_its_own_rate_audio_comes_back_as_it_is():
    audio = Audio(np.ones((2, 10), np.float32), 48_000)
    assert resample(audio, 48_000) is audio


def test_channels_keep_their_place_and_equal_channels_stay_equal():
    left = np.random.default_rng(5).normal(0, 1, 5_000).astype(np.float32)
    twice = resample(Audio(np.stack([left, left]), 44_100), 48_000)
    single = resample(Audio(np.stack([left, 0 * left]), 44_100), 48_000)
    assert twice.samples[0].tobytes() == twice.samples[1].tobytes()
    assert single.samples[0].tobytes() == twice.samples[0].tobytes()
    assert not single.samples[1].any()
    assert twice.samples.dtype == np.float32
    assert twice.samples.flags.c_contiguous


def test_values_above_full_scale_are_not_clipped():
    audio = Audio((4 * sine(44_100, 44_100, 997.0)).astype(np.float32)[None], 44_100)
    assert resample(audio, 48_000).samples.max() == pytest.approx(4.0, abs=1e-3)


@pytest.mark.parametrize(
    ("samples", "wanted_hz", "expected"),
    [
        (np.ones((1, 4), np.float32), 44.1, "44.1 Hz; 8000 to 384000 Hz is allowed; was kHz meant"),
        (np.full((1, 4), np.inf, np.float32), 44_100, "NaN or Inf"),
    ],
)
def test_bad_input_is_refused(samples, wanted_hz, expected):
    with pytest.raises(SignalError, match=expected):
        resample(Audio(samples, 48_000), wanted_hz)
