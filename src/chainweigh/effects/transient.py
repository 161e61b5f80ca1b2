"""Transient: separate gains for the onset of each hit and for the body that follows."""

from math import log

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.effects.base import Effect, Kind, Parameter, Settings
from chainweigh.effects.rises import apply_step_gains, arriving_early, level_rise_db

NO_ONSET_DB, FULL_ONSET_DB = 3.0, 9.0
# The rise of a level that jumps up falls to NO_ONSET_DB after so many time constants.
LENGTH_IN_TIME_CONSTANTS = -log(1 - 10 ** (-NO_ONSET_DB / 20))


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    """Onset and body gain in the share, in dB, that the rise of the level states.

    Notes
    -----
    The share of onset is 0 up to a rise of 3 dB and 1 from 9 dB on. After a jump out of silence it
    stays whole for 36 % of the length and is gone at its end. Both sides share one gain; it looks
    1 ms ahead, and the output is in time with the input.
    """
    onset_db, body_db = float(settings["onset"]), float(settings["body"])
    if (onset_db == 0 and body_db == 0) or samples.shape[1] == 0:
        return samples.copy()
    settle_ms = float(settings["length"]) / LENGTH_IN_TIME_CONSTANTS
    rise_db = level_rise_db(samples, sample_rate_hz, settle_ms=settle_ms)
    share = np.clip((rise_db - NO_ONSET_DB) / (FULL_ONSET_DB - NO_ONSET_DB), 0, 1)
    gain_db = body_db + (onset_db - body_db) * arriving_early(share, sample_rate_hz)
    return apply_step_gains(samples, sample_rate_hz, 10 ** (gain_db / 20))


EFFECT = Effect(
    name="transient",
    about="Makes the beginnings of hits louder or softer than what follows, at any level.",
    parameters=(
        Parameter(
            "onset",
            Kind.GAIN,
            "gain of the first moment of each hit: up for snap, down for softness and headroom",
            default=0.0,
            minimum=-24,
            maximum=24,
        ),
        Parameter(
            "body",
            Kind.GAIN,
            "gain of all that follows: up for weight and room, down for dryness",
            default=0.0,
            minimum=-24,
            maximum=24,
        ),
        Parameter(
            "length",
            Kind.TIME,
            "how long a hit counts as onset before the body's gain has taken over",
            default=30.0,
            minimum=5,
            maximum=500,
        ),
    ),
    process=_process,
    notes="Looks 1 ms ahead, in time with the input; both sides share one gain.",
    source=(
        "Level against a slower follower, as in the envelope methods of J. P. Bello et al., IEEE "
        "Trans. Speech Audio Process. 13(5), 2005, section III"
    ),
)
