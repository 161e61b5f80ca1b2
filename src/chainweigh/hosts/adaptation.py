"""Whether what a plug-in does to a passage depends on what came long before it."""

from collections.abc import Callable

import numpy as np

from chainweigh.audio.array import Samples, to_db
from chainweigh.hosts.alignment import loudest_starts
from chainweigh.hosts.playing import BLOCK_FRAMES

EXCERPT_S, LEAD_S = 4.0, 2.0
ADAPTS_DB = -60.0  # common practice, no source


def difference_db(samples: Samples, other: Samples) -> float:
    """RMS of the difference re that of `samples`; minus infinity where they are equal."""
    wide = samples.astype(np.float64)
    off, own = (float(np.sqrt(np.mean(each**2))) for each in (wide - other, wide))
    return to_db(off / own if own else off)


def adaptation_note(
    samples: Samples,
    aligned: Samples,
    sample_rate_hz: int,
    render: Callable[[Samples], Samples],
) -> str | None:
    """What to note where an excerpt rendered by itself differs from the same part of the whole.

    Parameters
    ----------
    samples, aligned : input and aligned output of the whole render
    render : aligned output of an excerpt, by a new instance

    Notes
    -----
    The loudest 4 s of the last third are rendered by themselves and the last 2 s of that compared.
    Songs under 24 s are not looked at.
    """
    n_excerpt = round(EXCERPT_S * sample_rate_hz)
    starts = loudest_starts(samples, n_excerpt)
    if not starts:
        return None
    start = starts[-1] // BLOCK_FRAMES * BLOCK_FRAMES  # blocks then end where they did
    excerpt = np.ascontiguousarray(samples[:, start : start + n_excerpt])
    kept = slice(round(LEAD_S * sample_rate_hz), n_excerpt)
    whole = aligned[:, start : start + n_excerpt][:, kept]
    off_db = difference_db(whole, render(excerpt)[:, kept])
    if off_db <= ADAPTS_DB:
        return None
    return (
        f"what it does depends on what came more than {LEAD_S:g} s before: an excerpt rendered by "
        f"itself differs by {off_db:.0f} dB"
    )
