"""Powers of frames in bands: the kernel against its twin, the twin against Parseval."""

import numpy as np
import pytest

from chainweigh.kernels import native_library as native
from chainweigh.kernels.band_frames import band_powers, band_powers_twin

EDGES = np.array([0, 1, 2, 5, 60, 128])


def noise(n_frames=2000):
    return np.random.default_rng(3).standard_normal(n_frames).astype(np.float32)


@pytest.mark.skipif(not native.compiled, reason="the package was installed without a compiler")
@pytest.mark.parametrize("length", [256, 512])  # an odd and an even power of two
@pytest.mark.parametrize("n_frames", [1, 8, 19])
def test_powers_match_the_twin_wherever_frames_start(n_frames, length):
    starts = np.random.default_rng(5).integers(0, 2000 - length, n_frames)
    settings = noise(), starts, np.hanning(length).astype(np.float32), EDGES
    got = band_powers(*settings)
    assert got.shape == (n_frames, len(EDGES) - 1)
    np.testing.assert_allclose(got, band_powers_twin(*settings), 2e-5)


def test_a_frames_power_is_the_sum_over_its_bands():
    """Parseval; bins but the first and the last, which no band holds, count for two."""
    signal = noise(256)
    here = band_powers(signal, np.array([0]), np.ones(256, np.float32), EDGES)[0]
    last = np.dot(signal, (-1.0) ** np.arange(256)) ** 2
    power = (2 * here.sum(dtype=np.float64) - here[0] + last) / 256
    assert power == pytest.approx(np.square(signal, dtype=np.float64).sum(), rel=1e-6)
