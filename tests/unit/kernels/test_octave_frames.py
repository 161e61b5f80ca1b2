"""Octave-band frames against their twins and against closed forms."""

import numpy as np
import pytest

from chainweigh.kernels import native_library as native
from chainweigh.kernels.octave_frames import (
    OctaveFrames,
    add_shaped,
    add_shaped_twin,
    octave_energies,
    octave_energies_twin,
)


def octave_frames(length):
    """Two bands that overlap and sum to one in each bin, under a periodic Hann window."""
    n_bins = length // 2 + 1
    weight = np.clip(np.linspace(1.5, -0.5, n_bins), 0, 1)  # of the lower band
    low, high = np.flatnonzero(weight), np.flatnonzero(weight < 1)
    return OctaveFrames(
        window=(0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)).astype(np.float32),
        hop=length // 4,
        loudness=np.linspace(0, 2, n_bins).astype(np.float32),
        first_bin=np.array([0, high[0]], dtype=np.int32),
        n_band_bins=np.array([len(low), len(high)], dtype=np.int32),
        share=np.concatenate([weight[low], 1 - weight[high]]).astype(np.float32),
    )


def noise(seed, *shape):
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


@pytest.mark.skipif(not native.compiled, reason="the package was installed without a compiler")
@pytest.mark.parametrize("length", [256, 512])  # an odd and an even power of two
@pytest.mark.parametrize("n_frames", [1, 8, 19])
class TestCompiled:
    """Within what two float32 transforms differ by."""

    def test_energies_match_the_twin(self, n_frames, length):
        frames = octave_frames(length)
        x, y = noise(1, 2, length + (n_frames - 1) * frames.hop)
        got, power = octave_energies(x, y, frames)
        expected, expected_power = octave_energies_twin(x, y, frames)
        assert got.shape == (3, n_frames, 2)
        np.testing.assert_allclose(got, expected, 1e-6, atol=1e-6 * expected.max())
        np.testing.assert_allclose(power, expected_power, 1e-6)

    def test_shaped_frames_match_the_twin(self, n_frames, length):
        frames = octave_frames(length)
        x = noise(2, length + (n_frames - 1) * frames.hop)
        gains = np.abs(noise(3, n_frames, 2))
        got, expected = noise(4, 2, len(x))[[0, 0]]
        add_shaped(x, gains, frames, got)
        add_shaped_twin(x, gains, frames, expected)
        np.testing.assert_allclose(got, expected, atol=2e-6)


def test_unit_gains_give_the_signal_back_where_four_frames_overlap():
    frames = octave_frames(256)
    x = noise(5, 256 + 30 * frames.hop)
    out = np.zeros_like(x)
    add_shaped(x, np.ones((31, 2), dtype=np.float32), frames, out)
    inner = slice(3 * frames.hop, -3 * frames.hop)
    np.testing.assert_allclose(out[inner], x[inner], atol=2e-6)


def test_the_bands_of_a_frame_add_up_to_the_power_of_its_bins():
    frames = octave_frames(256)
    x, y = noise(6, 2, 256)
    sums, power = octave_energies(x, y, frames)
    was, now = np.fft.rfft(np.stack([x, y]).astype(np.float64) * frames.window)
    products = (np.abs(was) ** 2, np.abs(now) ** 2, (was * now.conj()).real)
    np.testing.assert_allclose(sums[:, 0].sum(axis=1), [p.sum() for p in products], 1e-5)
    np.testing.assert_allclose(power, (products[1] * frames.loudness).sum(), 1e-6)
