"""Plain gain."""

from math import inf

import numpy as np

from chainweigh.audio.array import Samples, from_db
from chainweigh.effects.base import Effect, Kind, Parameter, Reach, Settings


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    return samples * np.float32(from_db(float(settings["gain"])))


EFFECT = Effect(
    name="gain",
    about="Makes everything louder or quieter by the same amount.",
    parameters=(
        Parameter("gain", Kind.GAIN, "amount; negative is quieter", minimum=-80, maximum=80),
    ),
    process=_process,
    odd=True,
    reach=lambda sample_rate_hz, settings: Reach(),
    untouched_dbfs=lambda settings: -inf if settings["gain"] else inf,
    source="Every sample times 10^(gain / 20)",
)
