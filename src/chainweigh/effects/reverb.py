"""Reverb, after Schroeder and Moorer: parallel damped combs, then all-passes, in pedalboard."""

from math import ceil, log

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.effects.base import Effect, Kind, Parameter, Settings

FADED = 1e-4  # the tail ends once the slowest comb is 80 dB down
LONGEST_COMB_S = 1640 / 44_100
LEAST_COMB_FEEDBACK, COMB_FEEDBACK_RANGE = 0.7, 0.28


def _tail_frames(sample_rate_hz: int, settings: Settings) -> int:
    if settings["mix"] == 0:
        return 0
    feedback = LEAST_COMB_FEEDBACK + COMB_FEEDBACK_RANGE * float(settings["room_size"]) / 100
    return ceil(LONGEST_COMB_S * sample_rate_hz * log(FADED) / log(feedback))


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    dry = np.pad(samples, ((0, 0), (0, _tail_frames(sample_rate_hz, settings))))
    mix = np.float32(float(settings["mix"]) / 100)
    if mix == 0:
        return dry
    from pedalboard import Reverb

    reverb = Reverb(
        room_size=float(settings["room_size"]) / 100,
        damping=float(settings["damping"]) / 100,
        width=float(settings["width"]) / 100,
        wet_level=1.0,
        dry_level=0.0,
    )
    wet = reverb.process(dry, sample_rate_hz)
    return np.ascontiguousarray((1 - mix) * dry + mix * wet, dtype=np.float32)


EFFECT = Effect(
    name="reverb",
    about="Adds the sound of a room, with its tail until it is 80 dB down.",
    parameters=(
        Parameter("room_size", Kind.SHARE, "size, and with it the decay time", 50.0, 0, 100),
        Parameter("damping", Kind.SHARE, "how much sooner highs decay", 50.0, 0, 100),
        Parameter(
            "width", Kind.SHARE, "difference of the reverb's sides; 0 is mono", 100.0, 0, 100
        ),
        Parameter("mix", Kind.SHARE, "reverb's part; the rest is input", 20.0, 0, 100),
    ),
    process=_process,
    keeps_time=False,
    tail_frames=_tail_frames,
    sides_alike=False,
    source="Schroeder, JAES 10(3), 1962; Moorer, Computer Music Journal 3(2), 1979; by pedalboard",
)
