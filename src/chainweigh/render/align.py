"""A render moved in time by whole samples onto its reference."""

from chainweigh.audio.array import Samples, padded, shifted
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
        padded(reference, n_common), padded(render, n_common), sample_rate_hz=sample_rate_hz
    )
    shift = delay.frames if delay.sharp else 0
    return shifted(render, shift, n_frames), shift
