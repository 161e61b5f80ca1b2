"""Rounding to a grid with dither and error feedback.

References
----------
S. P. Lipshitz, J. Vanderkooy, R. A. Wannamaker, "Minimally audible noise shaping", J. Audio Eng.
Soc. 39(11), 1991.
"""

from math import floor

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native

Float64 = NDArray[np.float64]


def round_dithered(
    channel: NDArray[np.float32], noise: Float64, *, step: float, taps: Float64
) -> NDArray[np.float32]:
    """Round one channel to multiples of the step, its error filtered by 1 - sum taps[k] z^-(k+1).

    Parameters
    ----------
    channel : shape (n_frames,)
    noise : shape (n_frames,), the dither in steps
    step : distance of the grid's lines
    taps : feedback of past errors, none at first; no taps leave the error as white as the dither
    """
    if not native.compiled:
        return round_dithered_twin(channel, noise, step=step, taps=taps)
    out, errors = np.empty_like(channel), np.zeros(len(taps))
    native.lib.cw_dither(
        native.pointer(channel),
        native.pointer(noise),
        native.pointer(out),
        len(channel),
        step,
        native.pointer(taps),
        len(taps),
        native.pointer(errors),
    )
    return out


def round_dithered_twin(
    channel: NDArray[np.float32], noise: Float64, *, step: float, taps: Float64
) -> NDArray[np.float32]:
    """Defines `round_dithered`."""
    scaled = channel.astype(np.float64) / step
    if len(taps) == 0:
        return np.asarray(np.floor(scaled + noise + 0.5) * step, dtype=np.float32)
    feedback, past, rounded = taps.tolist(), [0.0] * len(taps), []
    for sample, added in zip(scaled.tolist(), noise.tolist(), strict=True):
        wanted = sample
        for tap, error in zip(feedback, past, strict=True):
            wanted -= tap * error
        rounded.append(floor(wanted + added + 0.5))
        past = [rounded[-1] - wanted, *past[:-1]]
    return np.asarray(np.array(rounded, dtype=np.float64) * step, dtype=np.float32)
