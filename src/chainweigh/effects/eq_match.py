"""Digital sections that follow an analog equaliser curve up to 20 kHz at 44.1 kHz.

A section designed by the bilinear transform alone squeezes its curve towards half the sample rate.
Here the coefficients of the analog section that goes into the transform are moved until the
deviation from the wanted curve is least; its sixteenth power counts, which presses on the largest.
They stay positive, so the result is stable and of minimum phase.

References
----------
S. J. Orfanidis: Digital Parametric Equalizer Design with Prescribed Nyquist-Frequency Gain. Journal
of the Audio Engineering Society 45(6), 1997 (the problem).
D. W. Marquardt: An Algorithm for Least-Squares Estimation of Nonlinear Parameters. Journal of the
Society for Industrial and Applied Mathematics 11(2), 1963.
"""

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
POWERS = (1, 2, 4, 8)  # of the deviation, whose squares are summed
N_STEPS = 60
MAX_STEP = 0.3
ARRIVED = 1e-9
DAMPING, LEAST_DAMPING = 1e-3, 1e-9
TINY = 1e-30
DB_PER_NEPER_OF_POWER = 10 / log(10)


@lru_cache(maxsize=256)
def matched_row(
    section: Section, frequency_hz: float, sample_rate_hz: float
) -> tuple[float, float, float, float, float]:
    """Row b0 b1 b2 a1 a2 (a0 = 1) of a digital section that follows an analog one.

    Notes
    -----
    Where the plain bilinear transform is within 0.001 dB, its coefficients (the cookbook's) are
    returned. The fit takes some milliseconds; it runs until its steps vanish, so that processors
    that round otherwise arrive at the same filter.
    """
    fit = _Fit(section, frequency_hz, sample_rate_hz)
    if fit.worst_db(np.array(section)) > CLOSE_DB:
        section = fit.best()
    return bilinear_section(*section, frequency_hz, sample_rate_hz)


class _Fit:
    """Analog sections whose bilinear transform is to follow the curve of `section`.

    The unknowns are logarithms of coefficients, a0 being 1.
    """

    def __init__(self, section: Section, frequency_hz: float, sample_rate_hz: float) -> None:
        at_hz = _grid_hz(frequency_hz, sample_rate_hz)
        scale = tan(pi * frequency_hz / sample_rate_hz)
        self.warped = (np.tan(pi * at_hz / sample_rate_hz) / scale) ** 2
        self.target_db = 10 * np.log10(power_gain([section], (at_hz / frequency_hz) ** 2))
        self.weight = np.minimum(1.0, 10 ** ((self.target_db - FAINT_DB) / 20))
        self.weight[at_hz > HIGHEST_SHARE * sample_rate_hz] *= BEYOND
        start = np.array(section) / section[1][0]
        if start[0, 0] > 0:  # not a low cut: something may be left at half the rate
            start[0] += [0.0, 0.7 * scale, 0.3 * scale**2]
        angle = 2 * pi * frequency_hz / sample_rate_hz
        broader = start * [1.0, angle / sin(angle), 1.0]  # where the transform squeezes most
        self.starts = (start, broader) if angle > pi / 2 else (start,)
        self.free = (start > 0) & np.array([False, True, True])

    def worst_db(self, coefficients: Vector) -> float:
        return float(np.abs(self.errors_db(coefficients)).max())

    def errors_db(self, coefficients: Vector) -> Vector:
        """Weighted deviation from the wanted curve."""
        b, a = (squared(polynomial, self.warped) for polynomial in coefficients)
        return np.asarray((10 * np.log10(b / a) - self.target_db) * self.weight)

    def slopes_db(self, coefficients: Vector) -> Vector:
        """Change of the deviation with the logarithm of each free coefficient, a column each."""
        columns = []
        for polynomial, is_free, sign in zip(coefficients, self.free, (1, -1), strict=True):
            c0, c1, c2 = polynomial
            scale = sign * DB_PER_NEPER_OF_POWER / squared(polynomial, self.warped) * self.weight
            if is_free[1]:
                columns.append(scale * 2 * c1**2 * self.warped)
            if is_free[2]:
                columns.append(scale * 2 * c2 * self.warped * (c2 * self.warped - c0))
        return np.column_stack(columns)

    def best(self) -> Section:
        """The best of what the starts lead to."""
        b, a = min(map(self._from_start, self.starts), key=self.worst_db).tolist()
        return tuple(b), tuple(a)

    def _from_start(self, found: Vector) -> Vector:
        """Levenberg-Marquardt steps to the least sum of ever higher powers of the deviation."""
        for power in POWERS:
            found = self._descended(found, power)
        return found

    def _descended(self, found: Vector, power: int) -> Vector:
        damping, residuals = DAMPING, self._residuals(found, power)
        for _ in range(N_STEPS):
            slopes = self._residual_slopes(found, power)
            normal = slopes.T @ slopes
            damped = normal + damping * np.diag(np.diag(normal) + TINY)
            step = np.clip(np.linalg.solve(damped, slopes.T @ residuals), -MAX_STEP, MAX_STEP)
            tried = found.copy()
            tried[self.free] *= np.exp(-step)
            tried_residuals = self._residuals(tried, power)
            if tried_residuals @ tried_residuals > residuals @ residuals:
                damping *= 8
                continue
            found, residuals, damping = tried, tried_residuals, max(damping / 6, LEAST_DAMPING)
            if np.abs(step).max() < ARRIVED:
                break
        return found

    def _residuals(self, found: Vector, power: int) -> Vector:
        errors = self.errors_db(found)
        return np.asarray(errors * np.abs(errors) ** (power - 1))

    def _residual_slopes(self, found: Vector, power: int) -> Vector:
        scale = power * np.abs(self.errors_db(found)) ** (power - 1)
        return np.asarray(self.slopes_db(found) * scale[:, None])


def _grid_hz(frequency_hz: float, sample_rate_hz: float) -> Vector:
    top_hz = HIGHEST_SHARE * sample_rate_hz
    even = np.linspace(0.01, 1, 120) * top_hz
    near = frequency_hz * 2 ** np.linspace(-3, 3, 61)
    below_half = (0.5 - np.geomspace(0.5 - HIGHEST_SHARE, 1e-3, 60)[1:]) * sample_rate_hz
    return np.unique(np.concatenate([even, near[near < top_hz], below_half]))
