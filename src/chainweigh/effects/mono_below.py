"""Mono below: one bass for both sides."""

from math import pi, sqrt, tan

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.effects.base import Effect, Kind, Parameter, Settings
from chainweigh.kernels.biquad import filter_sections

Rows = NDArray[np.float64]


def _high_pass(sample_rate_hz: int, frequency_hz: float, slope_db: int) -> Rows:
    """Linkwitz-Riley high-pass: -6 dB at the frequency, by the bilinear transform."""
    k = tan(pi * frequency_hz / sample_rate_hz)
    if slope_db == 12:  # two of first order
        pole = (1 - k) / (1 + k)
        b = 1 / (1 + k) ** 2
        return np.array([[b, -2 * b, b, -2 * pole, pole * pole]])
    b = 1 / (1 + sqrt(2) * k + k * k)  # two Butterworth of second order
    row = [b, -2 * b, b, 2 * b * (k * k - 1), b * (1 - sqrt(2) * k + k * k)]
    return np.array([row, row])


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    """Take the lows out of side = (left - right) / 2, and leave the mid as it is.

    Notes
    -----
    What is taken from the left is given to the right, so left plus right stays what it was, to
    rounding; sides that are equal pass bit for bit. The filter is causal: around the frequency the
    side's phase turns against the mid's.
    """
    amount = float(settings["amount"]) / 100
    if len(samples) == 1 or amount == 0:
        return samples.copy()
    left, right = samples
    side = np.float32(0.5) * (left - right)
    rows = _high_pass(sample_rate_hz, float(settings["frequency"]), int(settings["slope"]))
    taken = np.float32(amount) * (side - filter_sections(side[np.newaxis], rows)[0])
    return np.stack([left - taken, right + taken])


EFFECT = Effect(
    name="mono_below",
    about="Makes the bass mono and leaves the width above it.",
    parameters=(
        Parameter(
            "frequency",
            Kind.FREQUENCY,
            "below it left and right become the same; here their difference is 6 dB down",
            default=120.0,
            minimum=20,
            maximum=1000,
        ),
        Parameter(
            "slope",
            Kind.SLOPE,
            "how fast the width fades below the frequency",
            default=24,
            choices=(12, 24),
        ),
        Parameter(
            "amount",
            Kind.SHARE,
            "how much of the bass's width is taken away",
            default=100.0,
            minimum=0,
            maximum=100,
        ),
    ),
    process=_process,
    notes=(
        "Left plus right stays as it is. The filter is causal and looks nowhere ahead: around the "
        "frequency the phase of the width turns."
    ),
    source="S. H. Linkwitz, J. Audio Eng. Soc. 24(1), 1976, on side = (left - right) / 2",
)
