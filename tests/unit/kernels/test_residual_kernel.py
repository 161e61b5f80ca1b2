"""Sums over a residual against numpy in double precision."""

import numpy as np
import pytest

from chainweigh.kernels.residual import residual_sums, residual_sums_twin, side_by_side


def noise(seed, *shape):
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


@pytest.mark.parametrize("sums", [residual_sums, residual_sums_twin])
@pytest.mark.parametrize("n_frames", [1, 63, 128, 129, 500])
def test_energies_and_products_are_those_of_the_difference(sums, n_frames):
    fitted, candidate = noise(1, 2, n_frames)
    waveforms = noise(2, 128, 11)
    energies, products = sums(fitted, candidate, side_by_side(waveforms))
    signals = np.float64([fitted, candidate, candidate - fitted])
    np.testing.assert_allclose(energies, (signals**2).sum(axis=1), 1e-12)
    blocks = np.pad(signals[[2, 1]], ((0, 0), (0, -n_frames % 128))).reshape(2, -1, 128)
    expected = blocks @ waveforms.astype(np.float64)
    np.testing.assert_allclose(products[:, :, :11], expected, atol=2e-6 * np.abs(expected).max())
    assert not products[:, :, 11:].any()
