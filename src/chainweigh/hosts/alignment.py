"""How late a plug-in's output is: what it reports, an impulse and the programme itself, weighed."""

from dataclasses import dataclass

import numpy as np

from chainweigh.audio.array import Samples, padded
from chainweigh.measure.delay import NEAR_FRAMES, Delay, estimate_delay

AGREED, CORRECTED, UNVERIFIED = "agreed", "corrected", "unverified"
EXCERPT_S = 4.0
N_EXCERPTS = 3


@dataclass(frozen=True)
class Alignment:
    """Frames the output was moved earlier, and how sure that is.

    `how` is `agreed` where a sharp peak of the correlation confirms the report, `corrected` where
    it lies elsewhere and wins, `unverified` where there is none and only the report is left.
    `note` says that the delay changes, or where an impulse peaks if that is not the shift.
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
    The correlation sees the programme, so its sharp peak wins over the other two. Filters that
    smear the response have none: then the report is all there is. Where the loudest seconds of each
    third of a song show one sharp peak, the rest of it is not looked at.
    """
    excerpts = _excerpt_delays(samples, output, sample_rate_hz)
    frames = [each.frames for each in excerpts if each.sharp]
    if len(set(frames)) == 1 and len(frames) == len(excerpts):
        delay = excerpts[0]
    else:
        whole = padded(samples, output.shape[1])
        delay = estimate_delay(whole, output, sample_rate_hz=sample_rate_hz)
    shift, how = reported_frames, UNVERIFIED
    if delay.sharp and _agree(delay, reported_frames, impulse_frames, sample_rate_hz):
        how = AGREED
    elif delay.sharp:
        shift, how = delay.frames, CORRECTED
    note = None
    if len(set(frames)) > 1:
        note = f"its delay changes within the song: {', '.join(map(str, frames))} frames"
    elif impulse_frames not in (None, shift):
        note = f"an impulse comes out after {impulse_frames} frames, the programme after {shift}"
    return Alignment(shift, how, note)


def _excerpt_delays(samples: Samples, output: Samples, sample_rate_hz: int) -> list[Delay]:
    """Delay of the loudest seconds of each third of a song."""
    n_excerpt = round(EXCERPT_S * sample_rate_hz)
    found = []
    for start in loudest_starts(samples, n_excerpt):
        span = slice(start, start + n_excerpt)
        pair = (np.ascontiguousarray(signal[:, span]) for signal in (samples, output))
        found.append(estimate_delay(*pair, sample_rate_hz=sample_rate_hz))
    return found


def loudest_starts(samples: Samples, n_excerpt: int) -> list[int]:
    """First frame of the loudest excerpt of each third; none of a song too short to be divided."""
    n_parts = samples.shape[1] // n_excerpt
    if n_parts < 2 * N_EXCERPTS:
        return []
    parts = samples[:, : n_parts * n_excerpt].reshape(len(samples), n_parts, n_excerpt)
    energies = np.einsum("cpn,cpn->p", parts, parts)
    thirds = np.array_split(np.arange(n_parts), N_EXCERPTS)
    return [n_excerpt * int(third[np.argmax(energies[third])]) for third in thirds]


def _agree(
    delay: Delay, reported_frames: int, impulse_frames: int | None, sample_rate_hz: int
) -> bool:
    """Whether the correlation confirms the report, to the frame or, if the impulse does, nearly.

    A filter's phase moves the peak of a narrow-band programme by a few frames.
    """
    near = NEAR_FRAMES * max(1.0, sample_rate_hz / 48_000)
    off = abs(delay.frames - reported_frames)
    return off == 0 or (impulse_frames == reported_frames and off <= near)
