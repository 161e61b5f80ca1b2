"""Hop energies and levels: the compiled kernels equal the twins that define them."""

import numpy as np
import pytest

from chainweigh.kernels import native_library
from chainweigh.kernels.loudness import (
    count_hops,
    hop_edges,
    hop_energies,
    hop_energies_twin,
    hop_levels,
    hop_levels_twin,
)

RATES = [8_000, 11_025, 22_050, 44_100, 44_101, 48_000, 192_000]


def noise(n_frames, n_channels=2, scale=0.2):
    rng = np.random.default_rng(n_frames)
    return (scale * rng.standard_normal((n_channels, n_frames))).astype(np.float32)


def lengths(rate):
    """Empty, below one hop, one hop, within one lane, and eight lanes with a ragged end."""
    return [0, 1, rate // 100 - 1, rate // 100 + 1, rate // 2, 3 * rate + 17, 9 * rate + 333]


@pytest.mark.skipif(not native_library.compiled, reason="no compiler: the twins serve")
@pytest.mark.parametrize("rate", RATES)
def test_energies_equal_the_twin(rate):
    for n_frames in lengths(rate):
        samples = noise(n_frames)
        expected = hop_energies_twin(samples, rate)
        actual = hop_energies(samples, rate)
        assert actual.shape == expected.shape == (2, count_hops(n_frames, rate))
        np.testing.assert_allclose(actual, expected, rtol=1e-12, atol=1e-50)


@pytest.mark.skipif(not native_library.compiled, reason="no compiler: the twins serve")
def test_energies_of_a_quiet_passage_after_a_loud_one_equal_the_twin():
    # 160 dB down, so that the warm-up of a lane must outlast what the loud passage left behind.
    samples = noise(48_000 * 20)
    samples[:, 48_000 * 7 + 1234 :] *= np.float32(1e-8)
    np.testing.assert_allclose(
        hop_energies(samples, 48_000), hop_energies_twin(samples, 48_000), rtol=1e-9, atol=1e-30
    )


def test_energy_fades_to_exact_zero_in_silence():
    samples = noise(48_000 * 12)
    samples[:, 48_000:] = 0.0
    energies = hop_energies(samples, 48_000)
    assert energies[:, 99].min() > 0.1
    if native_library.compiled:
        assert not energies[:, 200:].any()
    assert energies[:, 200:].max() < 1e-30


@pytest.mark.skipif(not native_library.compiled, reason="no compiler: the twins serve")
@pytest.mark.parametrize("rate", RATES)
def test_levels_equal_the_twin(rate):
    for n_frames in lengths(rate):
        samples = noise(n_frames)
        actual, expected = hop_levels(samples, rate), hop_levels_twin(samples, rate)
        np.testing.assert_allclose(actual.sums, expected.sums, rtol=0, atol=1e-11)
        np.testing.assert_allclose(actual.squares, expected.squares, rtol=1e-12)
        np.testing.assert_array_equal(actual.peaks, expected.peaks)


@pytest.mark.parametrize("rate", RATES)
def test_hops_follow_the_clock_to_the_nearest_frame(rate):
    edges = hop_edges(1000, rate)
    assert np.abs(edges - np.arange(1001) * rate / 100).max() <= 0.5
    assert edges[-1] == 10 * rate
    assert count_hops(10 * rate, rate) == 1000
    assert count_hops(10 * rate - 1, rate) == 999


@pytest.mark.parametrize("rate", [11_025, 22_050, 44_100, 48_000])
def test_400_ms_is_the_same_whole_number_of_frames_everywhere(rate):
    edges = hop_edges(1000, rate)
    assert set(edges[40:] - edges[:-40]) == {round(0.4 * rate)}


def test_an_energy_does_not_depend_on_what_follows():
    samples = noise(44_100 * 10)
    whole = hop_energies(samples, 44_100)
    part = hop_energies(samples[:, : 44_100 * 4].copy(), 44_100)
    np.testing.assert_allclose(part, whole[:, :400], rtol=1e-12)
