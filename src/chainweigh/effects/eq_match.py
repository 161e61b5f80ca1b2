"""Digital sections that follow an analog equaliser curve up to 20 kHz at 44.1 kHz.

A section designed by the bilinear transform alone squeezes its curve towards half the sample rate.
Here the coefficients of the analog section that goes into the transform are moved until the largest
deviation from the wanted curve is least. They stay positive, so the result is stable and of
minimum phase.

References
----------
S. J. Orfanidis: Digital Parametric Equalizer Design with Prescribed Nyquist-Frequency Gain. Journal
of the Audio Engineering Society 45(6), 1997 (the problem).
D. W. Marquardt: An Algorithm for Least-Squares Estimation of Nonlinear Parameters. Journal of the
Society for Industrial and Applied Mathematics 11(2), 1963.
C. L. Lawson: Contributions to the Theory of Linear Least Maximum Approximation. Thesis, University
of California, Los Angeles, 1961 (weights that grow where the deviation is large).
"""

from collections.abc import Sequence
from functools import lru_cache
from math import log, pi, sin, tan

import numpy as np
from numpy.typing import NDArray

from chainweigh.effects.eq_curve import Section, power_gain, squared
from chainweigh.kernels.biquad import bilinear_section

Vector = NDArray[np.float64]

HIGHEST_SHARE = 20 / 44.1  # of the sample rate: what is matched, and a band's highest frequency
CLOSE_DB = 0.001  # the plain transform will do
FAINT_DB = -24.0  # what a cut leaves below this counts as its amplitude
BEYOND = 0.05  # what a deviation above the highest frequency counts
N_STEPS = 60
MAX_STEP = 0.3
N_EVEN_STEPS = 5  # before weights begin to move
DB_PER_NEPER_OF_POWER = 10 / log(10)


@lru_cache(maxsize=256)
def matched_rows(
    sections: tuple[Section, ...], frequency_hz: float, sample_rate_hz: float
) -> tuple[tuple[float, ...], ...]:
    """Rows b0 b1 b2 a1 a2 (a0 = 1) of digital sections that follow analog ones.

    Notes
    -----
    Where the plain bilinear transform is within 0.001 dB, its coefficients (the cookbook's) are
    returned. The fit takes some milliseconds.
    """
    fit = _Fit(sections, frequency_hz, sample_rate_hz)
    if fit.worst_db(fit.errors_db(sections)) > CLOSE_DB:
        sections = fit.best()
    return tuple(tuple(bilinear_section(*s, frequency_hz, sample_rate_hz)) for s in sections)


class _Fit:
    """Analog sections whose bilinear transform is to follow the curve of `sections`.

    The unknowns are logarithms of coefficients, a0 being 1.
    """

    def __init__(
        self, sections: Sequence[Section], frequency_hz: float, sample_rate_hz: float
    ) -> None:
        at_hz = _grid_hz(frequency_hz, sample_rate_hz)
        scale = tan(pi * frequency_hz / sample_rate_hz)
        self.warped = (np.tan(pi * at_hz / sample_rate_hz) / scale) ** 2
        self.target_db = 10 * np.log10(power_gain(sections, (at_hz / frequency_hz) ** 2))
        self.weight = np.minimum(1.0, 10 ** ((self.target_db - FAINT_DB) / 20))
        self.weight[at_hz > HIGHEST_SHARE * sample_rate_hz] *= BEYOND
        start = np.array(sections)
        start /= start[:, 1:, :1]
        start[start[:, 0, 0] > 0, 0] += [0.0, 0.7 * scale, 0.3 * scale**2]
        angle = 2 * pi * frequency_hz / sample_rate_hz
        broader = start * [1.0, angle / sin(angle), 1.0]
        self.starts = (start, broader)
        self.free = start > 0
        self.free[:, :, 0] = False

    def worst_db(self, errors_db: Vector) -> float:
        return float(np.abs(errors_db * self.weight).max())

    def errors_db(self, sections: Sequence[Section] | Vector) -> Vector:
        as_pairs = [(tuple(b), tuple(a)) for b, a in sections]
        return np.asarray(10 * np.log10(power_gain(as_pairs, self.warped)) - self.target_db)

    def slopes_db(self, coefficients: Vector) -> Vector:
        """Change of the curve with the logarithm of each free coefficient, a column each."""
        columns = []
        for section, free in zip(coefficients, self.free, strict=True):
            for polynomial, is_free, sign in zip(section, free, (1, -1), strict=True):
                c0, c1, c2 = polynomial
                scale = sign * DB_PER_NEPER_OF_POWER / squared(polynomial, self.warped)
                if is_free[1]:
                    columns.append(scale * 2 * c1**2 * self.warped)
                if is_free[2]:
                    columns.append(scale * 2 * c2 * self.warped * (c2 * self.warped - c0))
        return np.column_stack(columns)

    def best(self) -> tuple[Section, ...]:
        """The better of what two starts lead to."""
        found = min(
            map(self.from_start, self.starts), key=lambda f: self.worst_db(self.errors_db(f))
        )
        return tuple((tuple(b), tuple(a)) for b, a in found.tolist())

    def from_start(self, found: Vector) -> Vector:
        """Levenberg-Marquardt steps; the weights move towards the largest deviations."""
        weight, damping = self.weight, 1e-3
        errors = self.errors_db(found)
        best, least = found, self.worst_db(errors)
        for n in range(N_STEPS):
            slopes = self.slopes_db(found) * weight[:, None]
            normal, gradient = slopes.T @ slopes, slopes.T @ (errors * weight)
            damped = normal + damping * np.diag(np.diag(normal) + 1e-12)
            step = np.clip(np.linalg.solve(damped, gradient), -MAX_STEP, MAX_STEP)
            tried = found.copy()
            tried[self.free] *= np.exp(-step)
            tried_errors = self.errors_db(tried)
            if _power(tried_errors, weight) > _power(errors, weight):
                damping *= 8
                continue
            found, errors, damping = tried, tried_errors, max(damping / 6, 1e-9)
            worst = self.worst_db(errors)
            if worst < least:
                best, least = found, worst
            if n >= N_EVEN_STEPS:
                weight = weight * np.sqrt(0.03 + np.abs(errors * self.weight) / worst)
                weight = weight / weight.max()
        return best


def _grid_hz(frequency_hz: float, sample_rate_hz: float) -> Vector:
    top_hz = HIGHEST_SHARE * sample_rate_hz
    even = np.linspace(0.01, 1, 120) * top_hz
    near = frequency_hz * 2 ** np.linspace(-3, 3, 61)
    below_half = (0.5 - np.geomspace(0.5 - HIGHEST_SHARE, 1e-3, 60)[1:]) * sample_rate_hz
    return np.unique(np.concatenate([even, near[near < top_hz], below_half]))


def _power(errors: Vector, weight: Vector) -> float:
    return float(np.sum((errors * weight) ** 2))
