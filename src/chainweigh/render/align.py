"""A render moved in time by whole samples onto its reference."""

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.measure.delay import estimate_delay


def align(
    reference: Samples, render: Samples, sample_rate_hz: int, n_frames: int
) -> tuple[Samples, int]:
    """Move a render onto its reference where it is plainly late or early.

    Parameters
    ----------
    reference, render : shape (n_channels, n_frames each); the render may be longer by its tail
    n_frames : length of the result

    Returns
    -------
    samples : shape (n_channels, n_frames)
    shift_frames : frames the render was moved earlier (negative: later); 0 where no single delay
        stands out, so that filters, echoes and dynamics stay where they are
    """
    n_common = max(reference.shape[1], render.shape[1])
    delay = estimate_delay(
        fit_length(reference, n_common), fit_length(render, n_common), sample_rate_hz=sample_rate_hz
    )
    shift = delay.frames if delay.sharp else 0
    moved = render[:, shift:] if shift >= 0 else np.pad(render, ((0, 0), (-shift, 0)))
    return fit_length(moved, n_frames), shift


def fit_length(samples: Samples, n_frames: int) -> Samples:
    """Samples with zeros appended, or cut, to n_frames."""
    missing = n_frames - samples.shape[1]
    if missing > 0:
        return np.pad(samples, ((0, 0), (0, missing)))
    return np.ascontiguousarray(samples[:, :n_frames])
