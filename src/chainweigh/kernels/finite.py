"""Whether samples are finite."""

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native

BLOCK_FRAMES = 65_536  # by the twin: stays in the cache between its two passes


def first_not_finite(channel: NDArray[np.float32]) -> int | None:
    """Index of the first sample of one channel that is NaN or Inf; None where there is none."""
    if not native.compiled:
        return first_not_finite_twin(channel)
    channel = np.ascontiguousarray(channel)
    found = int(native.lib.cw_first_not_finite(native.pointer(channel), len(channel)))
    return found if found < len(channel) else None


def first_not_finite_twin(channel: NDArray[np.float32]) -> int | None:
    """Defines `first_not_finite`."""
    for start in range(0, len(channel), BLOCK_FRAMES):
        finite = np.isfinite(channel[start : start + BLOCK_FRAMES])
        if not finite.all():
            return start + int(np.argmin(finite))
    return None
