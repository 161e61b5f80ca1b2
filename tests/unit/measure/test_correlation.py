"""Correlations block by block against numpy.correlate on the whole signals."""

import numpy as np
import pytest

from chainweigh.measure.correlation import autocorrelation, cross_correlation, surroundings

N_LAGS, N_NEAR = 16, 5


def noise(seed, n_frames):
    return np.random.default_rng(seed).standard_normal((2, n_frames)).astype(np.float32)


def expected(x, y, reach):
    """Sum over channels of x(n) y(n + k), k from -reach to reach."""
    pairs = zip(x.astype(np.float64), y.astype(np.float64), strict=True)
    full = sum(np.correlate(b, a, mode="full") for a, b in pairs)
    middle = x.shape[1] - 1
    return full[middle - reach : middle + reach + 1]


@pytest.mark.parametrize("n_frames", [40, 96, 97, 1000])  # under, at and over a block
def test_blocks_miss_no_pair_and_count_none_twice(n_frames):
    x, y = noise(1, n_frames), noise(2, n_frames)
    crossed, own = cross_correlation(surroundings(x, N_LAGS), y, N_LAGS, N_NEAR)
    np.testing.assert_allclose(crossed, expected(x, y, N_LAGS - 1), atol=1e-10)
    np.testing.assert_allclose(own, expected(y, y, N_NEAR), atol=1e-10)
    lags = autocorrelation(surroundings(x, N_LAGS), x, N_LAGS)
    np.testing.assert_allclose(lags, expected(x, x, N_LAGS - 1), atol=1e-10)
    np.testing.assert_array_equal(lags, lags[::-1])
