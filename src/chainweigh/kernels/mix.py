"""Signals added up in double precision and rounded once."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native

Float32 = NDArray[np.float32]

BLOCK_FRAMES = 65_536  # of the twin: bounds its memory


def sum_parts(parts: Sequence[Float32]) -> Float32:
    """Sum of at least one array of equal shapes, in their order, in float64, cast to float32 once.

    Parameters
    ----------
    parts : float32, shape (n_channels, n_frames), C-contiguous
    """
    if not native.compiled:
        return sum_parts_twin(parts)
    out = np.empty_like(parts[0])
    pointers = [native.pointer(part) for part in parts]
    native.lib.cw_sum_parts(
        native.ffi.new("float *[]", pointers), len(parts), out.size, native.pointer(out)
    )
    return out


def sum_parts_twin(parts: Sequence[Float32]) -> Float32:
    """Defines `sum_parts`: equal to the bit."""
    out = np.empty_like(parts[0])
    for start in range(0, out.shape[1], BLOCK_FRAMES):
        block = np.s_[:, start : start + BLOCK_FRAMES]
        total = parts[0][block].astype(np.float64)
        for part in parts[1:]:
            total += part[block]
        out[block] = total
    return out
