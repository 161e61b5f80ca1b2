"""A signal at a lower rate: filtered where it is kept, and nowhere else."""

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native

Float32 = NDArray[np.float32]


def decimate_by(channel: Float32, step: int, taps: Float32) -> Float32:
    """Every step-th frame of one filtered channel.

    Parameters
    ----------
    channel : shape (n_frames,), taken as silent before and after
    step : frames from one that is kept to the next
    taps : symmetric filter; frame i of the result lies under tap len(taps) // 2 at i * step

    Returns
    -------
    Shape (ceil(n_frames / step),).
    """
    if not native.compiled:
        return decimate_by_twin(channel, step, taps)
    out = np.empty(-(-len(channel) // step), np.float32)
    native.lib.cw_decimate(
        native.pointer(channel),
        len(channel),
        step,
        native.pointer(taps),
        len(taps),
        native.pointer(out),
        len(out),
    )
    return out


def decimate_by_twin(channel: Float32, step: int, taps: Float32) -> Float32:
    """Defines `decimate_by`, to the rounding of float32 sums."""
    n_out, lead = -(-len(channel) // step), len(taps) // 2
    padded = np.zeros(n_out * step + len(taps), dtype=np.float32)
    padded[lead : lead + len(channel)] = channel
    heard = np.lib.stride_tricks.sliding_window_view(padded, len(taps))[::step][:n_out]
    return np.asarray(np.einsum("ij,j->i", heard, taps))
