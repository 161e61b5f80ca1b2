"""How late a plug-in's output is: what it reports, an impulse and the programme itself, weighed."""

from dataclasses import dataclass

from chainweigh.audio.array import Samples, padded
from chainweigh.measure.delay import NEAR_FRAMES, Delay, estimate_delay

AGREED, CORRECTED, UNVERIFIED = "agreed", "corrected", "unverified"


@dataclass(frozen=True)
class Alignment:
    """Frames the output was moved earlier, and how sure that is.

    `how` is `agreed` where a sharp peak of the correlation confirms the report, `corrected` where
    it lies elsewhere and wins, `unverified` where there is none and only the report is left.
    `note` says where an impulse peaks if that is not the shift.
    """

    shift_frames: int
    how: str
    note: str | None = None


def find_alignment(
    samples: Samples,
    output: Samples,
    sample_rate_hz: int,
    *,
    reported_frames: int,
    impulse_frames: int | None,
) -> Alignment:
    """Weigh the reported latency against an impulse and the correlation with the input.

    Parameters
    ----------
    samples : input, shape (n_channels, n_frames)
    output : shape (n_channels, n_frames or more), latency included
    impulse_frames : where the response to an impulse peaks; None if silent

    Notes
    -----
    The correlation sees the whole programme, so its sharp peak wins over the other two. Filters
    that smear the response have none: then the report is all there is.
    """
    delay = estimate_delay(padded(samples, output.shape[1]), output, sample_rate_hz=sample_rate_hz)
    shift, how = reported_frames, UNVERIFIED
    if delay.sharp and _agree(delay, reported_frames, impulse_frames, sample_rate_hz):
        how = AGREED
    elif delay.sharp:
        shift, how = delay.frames, CORRECTED
    note = None
    if impulse_frames not in (None, shift):
        note = f"an impulse comes out after {impulse_frames} frames, the programme after {shift}"
    return Alignment(shift, how, note)


def _agree(
    delay: Delay, reported_frames: int, impulse_frames: int | None, sample_rate_hz: int
) -> bool:
    """Whether the correlation confirms the report, to the frame or, if the impulse does, nearly.

    A filter's phase moves the peak of a narrow-band programme by a few frames.
    """
    near = NEAR_FRAMES * max(1.0, sample_rate_hz / 48_000)
    off = abs(delay.frames - reported_frames)
    return off == 0 or (impulse_frames == reported_frames and off <= near)
