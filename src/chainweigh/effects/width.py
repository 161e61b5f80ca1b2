"""Width: the gain of what the sides share, and of what they differ in."""

import numpy as np

from chainweigh.audio.array import Samples, from_db
from chainweigh.effects.base import Effect, Kind, Parameter, Settings


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    """Scale mid = (left + right) / 2 and side = (left - right) / 2; a mono signal is all mid."""
    middle_db, share = float(settings["middle"]), float(settings["sides"]) / 100
    if middle_db == 0 and share == 1:
        return samples.copy()
    gain = np.float32(from_db(middle_db))
    if len(samples) == 1:
        return samples * gain
    left, right = samples
    mid = np.float32(0.5) * (left + right) * gain
    side = np.float32(0.5) * (left - right) * np.float32(share)
    return np.stack([mid + side, mid - side])


EFFECT = Effect(
    name="width",
    about="Makes the stereo image wider or narrower, or the middle louder.",
    parameters=(
        Parameter(
            "sides",
            Kind.SHARE,
            "what left and right differ in: 0 is mono, 100 leaves it, 200 doubles it",
            default=100.0,
            minimum=0,
            maximum=400,
        ),
        Parameter(
            "middle",
            Kind.GAIN,
            "gain of what left and right share: voice, kick and bass in most mixes",
            default=0.0,
            minimum=-24,
            maximum=24,
        ),
    ),
    process=_process,
    notes="Mono files have no sides; the middle's gain is all they get.",
    source="Sum and difference after A. D. Blumlein, British Patent 394325, 1933",
)
