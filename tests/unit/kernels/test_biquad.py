"""The filter kernel against scipy.signal.sosfilt, which its twin calls."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import butter, iirpeak, sosfilt

from chainweigh.kernels import native_library
from chainweigh.kernels.biquad import MAX_SECTIONS, filter_sections, filter_sections_twin

Filter = Callable[[np.ndarray, np.ndarray], np.ndarray]


def rows_of(sos: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(np.delete(sos, 3, axis=1))


def noise(n_channels: int, n_frames: int) -> np.ndarray:
    return np.random.default_rng(6).uniform(-1, 1, (n_channels, n_frames)).astype(np.float32)


def some_sections(n_sections: int) -> np.ndarray:
    """Peaks and dips of unlike frequency and Q: the input and 0.3 times a band-pass of it."""
    drawn = np.random.default_rng(n_sections)
    sos = np.empty((n_sections, 6))
    for number, row in enumerate(sos):
        b, a = iirpeak(drawn.uniform(30, 18_000), drawn.uniform(2, 8), fs=48_000)
        row[:3], row[3:] = a + (0.3 if number % 2 else -0.3) * b, a
    return sos


@pytest.mark.parametrize("n_sections", [0, 1, 2, 3, 4, 5, 8, 9, 64])
@pytest.mark.parametrize("n_channels", [1, 2, 3])
def test_any_number_of_sections_and_channels_equals_scipy(n_sections: int, n_channels: int) -> None:
    samples = noise(n_channels, 3_000)
    sos = some_sections(n_sections)
    expected = samples.astype(np.float64)
    if n_sections:
        expected = sosfilt(sos, expected, axis=1)
    found = filter_sections(samples, rows_of(sos))
    assert np.abs(found - expected).max() < 1e-6
    assert 0.1 < found.std() / samples.std() < 3


@pytest.mark.parametrize("n_frames", [1, 2, 5, 6, 7, 511, 512, 513, 517, 518, 519, 1030])
def test_any_length_equals_scipy(n_frames: int) -> None:
    samples = noise(2, n_frames)
    sos = butter(8, 3_000, fs=48_000, output="sos")
    expected = sosfilt(sos, samples.astype(np.float64), axis=1)
    found = filter_sections(samples, rows_of(sos))
    assert found.shape == expected.shape
    assert np.abs(found - expected).max(initial=0) < 1e-6


@pytest.mark.parametrize("filtered", [filter_sections, filter_sections_twin])
def test_no_frames_and_no_sections_are_no_trouble(filtered: Filter) -> None:
    rows = rows_of(butter(4, 500, fs=48_000, output="sos"))
    assert filtered(noise(2, 0), rows).shape == (2, 0)
    samples = noise(2, 700)
    assert np.array_equal(filtered(samples, rows[:0]), samples)


def test_a_very_low_and_narrow_filter_keeps_its_precision() -> None:
    """20 Hz at 192 kHz: poles within 1e-3 of the unit circle; float64 scipy is the truth."""
    samples = noise(1, 192_000)
    sos = butter(4, 20, "highpass", fs=192_000, output="sos")
    expected = sosfilt(sos, samples.astype(np.float64), axis=1)
    assert np.abs(filter_sections(samples, rows_of(sos)) - expected).max() < 1.3e-7


def test_a_channel_does_not_depend_on_its_neighbour() -> None:
    samples = noise(2, 2_000)
    rows = rows_of(butter(4, 500, fs=48_000, output="sos"))
    both = filter_sections(samples, rows)
    for channel in range(2):
        alone = filter_sections(samples[channel : channel + 1], rows)
        assert np.array_equal(alone[0], both[channel])


@pytest.mark.skipif(not native_library.compiled, reason="the twin lets states turn denormal")
def test_states_that_decayed_below_500_db_become_silence() -> None:
    """Denormal states would slow the filter down for the rest of the song."""
    samples = np.zeros((1, 60_000), np.float32)
    samples[0, 0] = 1
    found = filter_sections(samples, rows_of(butter(2, 200, fs=48_000, output="sos")))
    assert np.abs(found[0, 1_000:2_000]).max() > 0
    assert not found[0, 30_000:].any()
    quietest = np.abs(found[found != 0]).min()
    assert quietest > np.finfo(np.float32).tiny


def test_too_many_sections_are_refused() -> None:
    with pytest.raises(ValueError, match="65 filter sections; at most 64"):
        filter_sections(noise(1, 10), np.zeros((MAX_SECTIONS + 1, 5)))


def test_the_twin_and_the_kernel_agree() -> None:
    samples = noise(2, 5_000)
    rows = rows_of(butter(6, 90, "highpass", fs=44_100, output="sos"))
    twin = filter_sections_twin(samples, rows)
    assert np.abs(filter_sections(samples, rows) - twin).max() < 1.3e-7
