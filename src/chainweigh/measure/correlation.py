"""Auto- and cross-correlations of long signals at short lags, block by block."""

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.measure.frames import piece

Floats = NDArray[np.float64]

BLOCK_LAGS = 6  # length of a block; its transform holds the lags to either side too


def autocorrelation(x: Samples, n_lags: int) -> Floats:
    """Sum over n and channels of x(n) x(n + k), k from 1 - n_lags to n_lags - 1, symmetric."""
    lags, _ = cross_correlation(x, x, n_lags, 1)
    return np.asarray(np.r_[lags[: n_lags - 1 : -1], lags[n_lags - 1 :]])


def cross_correlation(x: Samples, y: Samples, n_lags: int, n_near: int) -> tuple[Floats, Floats]:
    """Sums over n and channels of x(n) y(n + k), and of y(n) y(n + k) at small lags.

    The first at |k| < n_lags, the second at |k| <= n_near. Each block of y meets the stretch of x
    that reaches n_lags beyond it on either side, so no lag wraps around; y meets itself across the
    blocks' borders apart.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    n_channels, n_frames = x.shape
    block = min(BLOCK_LAGS * n_lags, max(n_frames, n_near))
    size = next_fast_len(block + 2 * n_lags, real=True)
    around, inside = np.zeros((2, n_channels, size))
    crossed = np.zeros(size // 2 + 1, dtype=np.complex128)
    power = np.zeros(size // 2 + 1)
    for start in range(0, n_frames, block):
        for channel in range(n_channels):
            reach = block + 2 * n_lags
            around[channel, :reach] = piece(x[channel], start - n_lags, reach)
            inside[channel, :block] = piece(y[channel], start, block)
        spectra = rfft(inside)
        for spectrum in spectra:
            power += np.square(spectrum.real)
            power += np.square(spectrum.imag)
        np.conjugate(spectra, out=spectra)
        spectra *= rfft(around)
        for spectrum in spectra:
            crossed += spectrum
    lags = irfft(crossed, size)[1 : 2 * n_lags][::-1]
    own = irfft(power, size)[: n_near + 1]
    own[1:] += _across_borders(y, block, n_near)
    return np.ascontiguousarray(lags), np.r_[own[:0:-1], own]


def _across_borders(y: Samples, block: int, n_near: int) -> Floats:
    """Sums of y(n) y(n + k), k from 1 to n_near, over pairs that a block's border parts."""
    borders = range(block, y.shape[1], block)
    near = [piece(channel, at - n_near, 2 * n_near) for at in borders for channel in y]
    rows = np.array(near, dtype=np.float64).reshape(-1, 2 * n_near)
    sums = (
        np.sum(rows[:, n_near - k : n_near] * rows[:, n_near : n_near + k])
        for k in range(1, n_near + 1)
    )
    return np.fromiter(sums, dtype=np.float64, count=n_near)
