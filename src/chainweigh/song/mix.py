"""What the mix is: the plain sum of its parts."""

from collections.abc import Sequence
from typing import Protocol

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.errors import SignalError
from chainweigh.kernels.mix import sum_parts


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
    return sum_parts([np.ascontiguousarray(part) for part in parts])
