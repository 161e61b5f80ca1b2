"""Powers of a signal's frames in bands of whole bins."""

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native
from chainweigh.kernels.ear_frames import ROW_FLOATS, turns

Floats32 = NDArray[np.float32]
Indices = NDArray[np.int64]

SPACE_ROWS = 2  # of each bin
FRAMES_AT_ONCE = 512  # by the twin


def band_powers(channel: Floats32, starts: Indices, window: Floats32, edges: Indices) -> Floats32:
    """Power of each frame in each band.

    Parameters
    ----------
    channel : float32, one channel, C-contiguous
    starts : first sample of each frame; whole frames only
    window : its length, a power of two from 8 on, is the frames'
    edges : first bin of each band, then the end of the last; each beyond the one before

    Returns
    -------
    float32, shape (n_frames, n_bands)

    Notes
    -----
    Equals the twin to the rounding of float32 transforms.
    """
    if not native.compiled:
        return band_powers_twin(channel, starts, window, edges)
    length = len(window)
    powers = np.empty((len(starts), len(edges) - 1), np.float32)
    space = native.line_aligned(SPACE_ROWS * (length // 2 + 1) * ROW_FLOATS)
    native.lib.cw_band_frames(
        native.pointer(channel),
        native.pointer(starts),
        len(powers),
        length,
        native.pointer(window),
        native.pointer(turns(length)),
        native.pointer(edges),
        powers.shape[1],
        native.pointer(space),
        native.pointer(powers),
    )
    return powers


def band_powers_twin(
    channel: Floats32, starts: Indices, window: Floats32, edges: Indices
) -> Floats32:
    """Defines `band_powers`."""
    from scipy.fft import rfft

    frames = np.lib.stride_tricks.sliding_window_view(channel, len(window))
    powers = np.empty((len(starts), len(edges) - 1), np.float32)
    for first in range(0, len(starts), FRAMES_AT_ONCE):
        some = slice(first, first + FRAMES_AT_ONCE)
        spectra = rfft(frames[starts[some]] * window)
        squares = spectra.real**2 + spectra.imag**2
        powers[some] = np.add.reduceat(squares[:, : edges[-1]], edges[:-1], axis=1)
    return powers
