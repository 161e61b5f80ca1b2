"""Echo: repeats of the whole signal at even distance."""

from math import ceil, floor, log

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.effects.base import Effect, Kind, Parameter, Settings

FADED = 1e-4  # the tail ends once repeats are 80 dB down


def _delay_frames(sample_rate_hz: int, settings: Settings) -> int:
    return floor(float(settings["time"]) * sample_rate_hz / 1000 + 0.5)


def _n_repeats(settings: Settings) -> int:
    feedback = float(settings["feedback"]) / 100
    return 1 if feedback <= FADED else 1 + ceil(log(FADED) / log(feedback))


def _tail_frames(sample_rate_hz: int, settings: Settings) -> int:
    if settings["mix"] == 0:
        return 0
    return _n_repeats(settings) * _delay_frames(sample_rate_hz, settings)


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    from pedalboard import Delay

    mix = float(settings["mix"]) / 100
    dry = np.pad(samples, ((0, 0), (0, _tail_frames(sample_rate_hz, settings))))
    if mix == 0 or not samples.size:
        return dry
    # it truncates to whole frames: half a frame more keeps rounding from costing one
    delay_s = (_delay_frames(sample_rate_hz, settings) + 0.5) / sample_rate_hz
    repeats = Delay(delay_seconds=delay_s, feedback=float(settings["feedback"]) / 100, mix=mix)
    return np.ascontiguousarray(repeats(dry, sample_rate_hz), dtype=np.float32)


EFFECT = Effect(
    name="echo",
    about="Repeats the sound after a time, again and again with feedback; adds its tail.",
    parameters=(
        Parameter(
            "time",
            Kind.TIME,
            "distance of the repeats, to the nearest frame",
            minimum=1,
            maximum=5000,
        ),
        Parameter(
            "feedback",
            Kind.SHARE,
            "level of each repeat re the one before; the tail ends 80 dB down",
            default=0.0,
            minimum=0,
            maximum=95,
        ),
        Parameter(
            "mix",
            Kind.SHARE,
            "repeats' part; the rest is input",
            default=50.0,
            minimum=0,
            maximum=100,
        ),
    ),
    process=_process,
    keeps_time=False,
    tail_frames=_tail_frames,
    source="pedalboard's Delay: comb filter y[n] = x[n - d] + g y[n - d], d whole frames",
)
