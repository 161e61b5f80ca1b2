"""The analog filters behind an equaliser band: what its curve is at every frequency.

References
----------
R. Bristow-Johnson: Audio EQ Cookbook. W3C Working Group Note, 2021.
"""

from collections.abc import Sequence
from math import cos, inf, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from chainweigh.effects.base import Settings

BUTTERWORTH_Q = sqrt(0.5)
DB_PER_OCTAVE_PER_SECTION = 12
CUTS = ("low_cut", "high_cut")

Polynomial = tuple[float, float, float]  # of 1, s and s^2; 1 rad/s is the band's frequency
Section = tuple[Polynomial, Polynomial]  # numerator, denominator


def analog_sections(settings: Settings) -> tuple[Section, ...]:
    """Second-order sections of a band."""
    shape, q = str(settings["shape"]), float(settings["q"])
    if shape in CUTS:
        n_sections = int(settings["slope"]) // DB_PER_OCTAVE_PER_SECTION
        numerator = (1.0, 0.0, 0.0) if shape == "high_cut" else (0.0, 0.0, 1.0)
        return tuple((numerator, (1.0, 1.0 / each, 1.0)) for each in _qs(n_sections, q))
    return (BANDS[shape](10 ** (float(settings["gain"]) / 40), q),)


def _peak(amplitude: float, q: float) -> Section:
    return (1.0, amplitude / q, 1.0), (1.0, 1.0 / (amplitude * q), 1.0)


def _low_shelf(amplitude: float, q: float) -> Section:
    width = sqrt(amplitude) / q
    return (amplitude**2, amplitude * width, amplitude), (1.0, width, amplitude)


def _high_shelf(amplitude: float, q: float) -> Section:
    width = sqrt(amplitude) / q
    return (amplitude, amplitude * width, amplitude**2), (amplitude, width, 1.0)


def _tilt(amplitude: float, q: float) -> Section:
    """High shelf turned down by half its gain: 0 dB at the frequency itself."""
    (b0, b1, b2), a = _high_shelf(amplitude, q)
    return (b0 / amplitude, b1 / amplitude, b2 / amplitude), a


def _qs(n_sections: int, q: float) -> list[float]:
    """Q of each section of a Butterworth cut; `q` scales that of the most resonant one."""
    order = 2 * n_sections
    qs = [0.5 / cos(pi * (2 * k + 1) / (2 * order)) for k in range(n_sections)]
    return [*qs[:-1], qs[-1] * (q / BUTTERWORTH_Q)]


BANDS = {"peak": _peak, "low_shelf": _low_shelf, "high_shelf": _high_shelf, "tilt": _tilt}


def squared(polynomial: Sequence[float], x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Squared magnitude of a polynomial on the frequency axis, x the squared frequency."""
    c0, c1, c2 = polynomial
    return np.asarray((c0 - c2 * x) ** 2 + c1**2 * x)


def power_gain(sections: Sequence[Section], x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Squared magnitude of a band, x the squared frequency re the band's."""
    gain = np.ones_like(x)
    for b, a in sections:
        gain *= squared(b, x) / squared(a, x)
    return gain


def ring_s(sections: Sequence[Section], frequency_hz: float) -> float:
    """Longest time constant of a band's poles and of its zeros (zeros at 0 Hz do not ring)."""
    slowest = min(_slowest(p) for section in sections for p in section)
    return 1.0 / (2 * pi * frequency_hz * slowest)


def _slowest(polynomial: Polynomial) -> float:
    """Real part, without its sign, of the root nearest to the frequency axis; infinite without one.

    Roots at 0 do not count.
    """
    c0, c1, c2 = polynomial
    if c0 == 0.0 or c1 == 0.0 == c2:
        return inf
    split = c1**2 - 4 * c0 * c2
    return 2 * c0 / (c1 + sqrt(split)) if split > 0 else c1 / (2 * c2)
