"""Auto- and cross-correlations of long signals at short lags, block by block."""

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.measure.frames import piece

Floats = NDArray[np.float64]
Spectra = NDArray[np.complex128]

BLOCK_LAGS = 6  # most of a block's length; its transform holds the lags to either side too


def autocorrelation(around: Iterable[Spectra], x: Samples, n_lags: int) -> Floats:
    """Sum over n and rows of x(n) x(n + k), k from 1 - n_lags to n_lags - 1, symmetric.

    Parameters
    ----------
    around : `surroundings` of x
    """
    lags, _ = cross_correlation(around, x, n_lags, 1)
    return np.asarray(np.r_[lags[: n_lags - 1 : -1], lags[n_lags - 1 :]])


def surroundings(x: Samples, n_lags: int) -> Iterator[Spectra]:
    """Transforms of what lies around each block, shape (n_rows, n_bins) each; to keep for more.

    Conjugate, as `cross_correlation` multiplies them.
    """
    from scipy.fft import rfft

    block, size = _lengths(x.shape[1], n_lags)
    for start in range(0, x.shape[1], block):
        around = [piece(row, start - n_lags, block + 2 * n_lags) for row in x]
        spectra = rfft(np.array(around, dtype=np.float64), size)
        yield np.conjugate(spectra, out=spectra)


def cross_correlation(
    around: Iterable[Spectra], y: Samples, n_lags: int, n_near: int
) -> tuple[Floats, Floats]:
    """Sums over n and rows of x(n) y(n + k), and of y(n) y(n + k) at small lags.

    The first at |k| < n_lags, the second at |k| <= n_near. Each block of y meets the stretch of x
    that reaches n_lags beyond it on either side, so no lag wraps around; y meets itself across the
    blocks' borders apart.

    Parameters
    ----------
    around : `surroundings` of x, which is as long as y
    """
    from scipy.fft import irfft, rfft

    block, size = _lengths(y.shape[1], n_lags)
    inside = np.zeros((len(y), size))
    crossed = np.zeros(size // 2 + 1, dtype=np.complex128)
    squares = np.zeros(2 * len(crossed))  # of real and imaginary parts in turn
    square = np.empty_like(squares)
    for start, known in zip(range(0, y.shape[1], block), around, strict=True):
        n = min(block, y.shape[1] - start)
        inside[:, :n], inside[:, n:block] = y[:, start : start + n], 0
        for spectrum, other in zip(rfft(inside), known, strict=True):
            squares += np.square(spectrum.view(np.float64), out=square)
            spectrum *= other
            crossed += spectrum
    power = squares[::2] + squares[1::2]
    lags, own = irfft(np.stack([crossed, power]), size)
    near = own[: n_near + 1]
    near[1:] += _across_borders(y, block, n_near)
    return lags[size + 1 - 2 * n_lags :].copy(), np.r_[near[:0:-1], near]


def _lengths(n_frames: int, n_lags: int) -> tuple[int, int]:
    """Of the blocks, all alike, and of their transforms."""
    from scipy.fft import next_fast_len

    block = -(-n_frames // -(-n_frames // (BLOCK_LAGS * n_lags)))
    return block, next_fast_len(block + 2 * n_lags, real=True)


def _across_borders(y: Samples, block: int, n_near: int) -> Floats:
    """Sums of y(n) y(n + k), k from 1 to n_near, over pairs that a block's border parts."""
    total = np.zeros(n_near)
    for at in range(block, y.shape[1], block):
        for channel in y:
            before, behind = piece(channel, at - n_near, 2 * n_near).reshape(2, n_near)
            total += np.correlate(np.float64(behind), np.float64(before), "full")[:n_near]
    return total


def smoothed_lags(lags: Floats, shape: Floats) -> Floats:
    """A lag function smoothed by a short symmetric shape; same length."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(len(lags) + len(shape), real=True)
    full = irfft(rfft(lags, size) * rfft(shape, size), size)
    return np.asarray(full[len(shape) // 2 :][: len(lags)])


def energy(signal: NDArray[np.float32] | Floats) -> float:
    """Sum of squares over channels and frames, in float64."""
    return float(np.einsum("cn,cn->", signal, signal, dtype=np.float64))
