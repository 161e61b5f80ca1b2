"""Shorten: lets each hit sound for a time, then fades it out."""

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, from_db
from chainweigh.effects.base import Effect, Kind, Parameter, Settings
from chainweigh.effects.rises import (
    apply_step_gains,
    arriving_early,
    level_rise_db,
    step_frames,
)

SETTLE_MS = 10.0


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    """Time each hit from the moment the level rises, and fade with half a cosine.

    Notes
    -----
    A hit begins when the level stands `rise` above a follower of 10 ms, and not again before the
    rise is over; sound at the file's start counts as one. Until the fade begins every bit passes.
    Both sides share one gain, which looks 1 ms ahead; the output is in time with the input.
    """
    depth_db = float(settings["depth"])
    if depth_db == 0 or samples.shape[1] == 0:
        return samples.copy()
    rise_db = level_rise_db(samples, sample_rate_hz, settle_ms=SETTLE_MS)
    age = _steps_since_hit(rise_db >= float(settings["rise"]))
    n_length = float(settings["length"]) / 1000 * sample_rate_hz / step_frames(sample_rate_hz)
    n_fade = max(1e-9, float(settings["fade"]) / 100 * n_length)
    left = np.clip((n_length - age) / n_fade, 0, 1)
    kept = arriving_early(0.5 - 0.5 * np.cos(np.pi * left), sample_rate_hz)
    floor = from_db(-depth_db)
    return apply_step_gains(samples, sample_rate_hz, floor + (1 - floor) * kept)


def _steps_since_hit(rises: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Steps since the last rise began; infinite before the first."""
    begins = rises & ~np.concatenate([[False], rises[:-1]])
    at = np.arange(len(rises))
    last = np.maximum.accumulate(np.where(begins, at, -1))
    return np.where(last < 0, np.inf, at - last)


EFFECT = Effect(
    name="shorten",
    about="Cuts each hit's ring short, so that low drums and notes leave room for the next.",
    parameters=(
        Parameter(
            "length",
            Kind.TIME,
            "how long a hit sounds, from its beginning to the end of the fade; a note value such "
            'as "1/8" follows the song\'s tempo',
            minimum=10,
            maximum=10_000,
        ),
        Parameter(
            "fade",
            Kind.SHARE,
            "how much of the length is fade: little sounds cut off, much sounds like a quick decay",
            default=50.0,
            minimum=0,
            maximum=100,
        ),
        Parameter(
            "depth",
            Kind.GAIN,
            "how far down the rest of the ring is turned; 0 leaves everything",
            default=60.0,
            minimum=0,
            maximum=120,
        ),
        Parameter(
            "rise",
            Kind.GAIN,
            "how much louder it must get at once to count as a new hit; held sound ends with its "
            "hit, too",
            default=6.0,
            minimum=3,
            maximum=24,
        ),
    ),
    process=_process,
    notes=(
        "Looks 1 ms ahead, in time with the input; both sides share one gain. Sound at the start "
        "of a file counts as a hit."
    ),
    source=(
        "Fade by half a cosine, timed from each rise of the level above a slower follower (J. P. "
        "Bello et al., IEEE Trans. Speech Audio Process. 13(5), 2005, section III)"
    ),
)
