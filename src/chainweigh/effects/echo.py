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
    mix, feedback = float(settings["mix"]) / 100, np.float32(float(settings["feedback"]) / 100)
    tail_frames, delay = (
        _tail_frames(sample_rate_hz, settings),
        _delay_frames(sample_rate_hz, settings),
    )
    dry = np.pad(samples, ((0, 0), (0, tail_frames)))
    if mix == 0:
        return dry
    wet = np.zeros_like(dry)
    for start in range(delay, dry.shape[1], delay):
        stop = min(start + delay, dry.shape[1])
        source = slice(start - delay, stop - delay)
        wet[:, start:stop] = dry[:, source] + feedback * wet[:, source]
    return wet if mix == 1 else np.float32(1 - mix) * dry + np.float32(mix) * wet


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
    source="comb filter y[n] = x[n - d] + g y[n - d], d whole frames",
)
