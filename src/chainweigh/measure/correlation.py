"""Auto- and cross-correlations of long signals at short lags, block by block."""

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.measure.frames import piece

Floats = NDArray[np.float64]

BLOCKS_AT_ONCE = 16


def correlations(x: Samples, y: Samples, block: int) -> tuple[Floats, Floats, Floats]:
    """Sums over n and channels of x(n) x(n + k), x(n) y(n + k), y(n) y(n + k) at |k| < block.

    Each block meets itself and its neighbour, which covers these lags exactly.
    """
    from scipy.fft import irfft, rfft

    size = 2 * block
    spectra = np.zeros((7, block + 1), dtype=np.complex128)
    n_blocks = -(-x.shape[1] // block)
    for channel in range(len(x)):
        last_x = last_y = np.zeros((1, block + 1), dtype=np.complex128)
        for start in range(0, n_blocks, BLOCKS_AT_ONCE):
            stop = min(start + BLOCKS_AT_ONCE, n_blocks)
            now_x = rfft(_blocks(x[channel], start, stop, block), size)
            now_y = rfft(_blocks(y[channel], start, stop, block), size)
            past_x, past_y = np.r_[last_x, now_x[:-1]], np.r_[last_y, now_y[:-1]]
            spectra[0] += _cross(now_x, now_x)
            spectra[1] += _cross(past_x, now_x)
            spectra[2] += _cross(now_x, now_y)
            spectra[3] += _cross(past_x, now_y)
            spectra[4] += _cross(past_y, now_x)
            spectra[5] += _cross(now_y, now_y)
            spectra[6] += _cross(past_y, now_y)
            last_x, last_y = now_x[-1:], now_y[-1:]
    xx, next_xx, xy, next_xy, next_yx, yy, next_yy = irfft(spectra, size)
    return (
        _join(xx, next_xx, next_xx),
        _join(xy, next_xy, next_yx),
        _join(yy, next_yy, next_yy),
    )


def _cross(a: NDArray[np.complex128], b: NDArray[np.complex128]) -> NDArray[np.complex128]:
    return np.asarray(np.einsum("bf,bf->f", a.conj(), b))


def _join(same: Floats, following: Floats, leading: Floats) -> Floats:
    """Lags -(block - 1) to block - 1, from pairs of the same block and of neighbours.

    A signal one block later is seen at lag k - block: following holds the positive lags, leading
    (the roles exchanged) the negative ones.
    """
    later = np.arange(1, len(same) // 2)
    after = same[later] + following[later - len(same) // 2]
    before = same[-later] + leading[later - len(same) // 2]
    return np.asarray(np.r_[before[::-1], same[0], after])


def _blocks(signal: NDArray[np.float32], start: int, stop: int, block: int) -> Floats:
    wanted = piece(signal, start * block, (stop - start) * block)
    return wanted.reshape(-1, block).astype(np.float64)
