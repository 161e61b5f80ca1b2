"""DC block: takes a constant offset out of the waveform."""

from math import pi, tan

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.effects.base import Effect, Kind, Parameter, Settings
from chainweigh.kernels.biquad import filter_sections


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    """High-pass of first order by the bilinear transform, causal, from rest.

    Notes
    -----
    No setting leaves the signal bit for bit. Level and phase move by 0.01 dB and 3 degrees at 20
    times the frequency, by 3 dB and 45 degrees at the frequency itself.
    """
    k = tan(pi * float(settings["frequency"]) / sample_rate_hz)
    b = 1 / (1 + k)
    return filter_sections(samples, np.array([[b, -b, 0.0, -(1 - k) / (1 + k), 0.0]]))


EFFECT = Effect(
    name="dc_block",
    about="Takes out an offset of the waveform, which eats headroom unheard.",
    parameters=(
        Parameter(
            "frequency",
            Kind.FREQUENCY,
            "3 dB down here and 6 dB an octave below; lower leaves the bass's phase alone, "
            "higher is rid of the offset sooner",
            default=5.0,
            minimum=1,
            maximum=40,
        ),
    ),
    process=_process,
    notes=(
        "No setting leaves the signal bit for bit: 20 times the frequency is down by 0.01 dB and "
        "turned by 3 degrees. Causal; no look-ahead."
    ),
    source="R. Yates, R. Lyons, DC Blocker Algorithms, IEEE Signal Processing Mag. 25(2), 2008",
)
