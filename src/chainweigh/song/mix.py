"""What the mix is: the plain sum of its parts."""

from collections.abc import Sequence
from typing import Protocol

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.errors import SignalError

_BLOCK_FRAMES = 65_536


class HoldsSamples(Protocol):
    """A group, or whatever stands in its place."""

    @property
    def samples(self) -> Samples:
        """Shape (n_channels, n_frames)."""


def mix_of(groups: Sequence[HoldsSamples]) -> Samples:
    """The mix of groups: `sum_of` their samples, in their order."""
    return sum_of([group.samples for group in groups])


def sum_of(parts: Sequence[Samples]) -> Samples:
    """Sum of equally long parts at unity: added in float64 in their order, cast to float32 once.

    Raises
    ------
    SignalError
        No parts, or parts of different shapes.
    """
    if not parts:
        raise SignalError("nothing to mix; at least one group is needed")
    shapes = {part.shape for part in parts}
    if len(shapes) > 1:
        raise SignalError(f"parts of a mix have shapes {sorted(shapes)}; they must be equal")
    result = np.empty_like(parts[0], order="C")
    for start in range(0, result.shape[1], _BLOCK_FRAMES):
        block = np.s_[:, start : start + _BLOCK_FRAMES]
        total = parts[0][block].astype(np.float64)
        for part in parts[1:]:
            total += part[block]
        result[block] = total
    return result
