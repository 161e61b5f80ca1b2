"""The normal equations of least squares, for filters of any length between two signals.

Their matrix is Toeplitz for signals that start and end in silence; for excerpts the samples that
the filter cannot know (those that depend on what lay outside) are filled in from a first solution
and the equations solved again, which leaves only the samples both signals hold to be explained.
"""

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.measure.correlation import cross_correlation, energy, smoothed_lags
from chainweigh.measure.fit_ends import EndErrors
from chainweigh.measure.fit_side import WHITENING_ORDER, FitSide
from chainweigh.measure.fit_taper import tapered
from chainweigh.measure.linear_fit import LinearFit

Floats = NDArray[np.float64]

EXPLAINED_DB = -100.0
LINEAR_DB = -40.0  # what is left above this is not an equaliser's: see fit_taper
RIDGES = (1e-11, 1e-9, 1e-7)  # of the reference's power: keep empty parts of the spectrum solvable
SOLVED = 0.1  # of the residual: where inexact equations move it more, rounding made the taps
REFINEMENTS = 2  # of a solution that rounding has spoilt, by what its equations still lack
LARGEST_TAP = 1e6  # re the gain alone; what overflows lies beyond
NEGLIGIBLE = 1e-6  # ends that weigh less need no further solution
END_PASSES = 2  # one for the longest filters, whose ends are dear


class NormalEquations:
    """Correlations summed over channels, and the ends of both signals."""

    def __init__(self, candidate: Samples, sample_rate_hz: int, side: FitSide) -> None:
        self.candidate, self.side, self.sample_rate_hz = candidate, side, sample_rate_hz
        self.zero_lag, self.n_frames = side.zero_lag, candidate.shape[1]
        self.xy, near_yy = cross_correlation(
            side.surroundings(), candidate, side.zero_lag + 1, WHITENING_ORDER
        )
        self.yy0 = float(near_yy[WHITENING_ORDER])
        self.whitened_xy = smoothed_lags(self.xy, side.whitening)
        self.whitened_yy0 = float(np.sum(near_yy * side.whitening))
        self.centre = self._centre()

    def _centre(self) -> int:
        """Lag the filter is centred on: 0 unless both correlations clearly peak apart.

        A clipped bass whitens to something as periodic as itself: there the plain one decides.
        """
        reach = min(self.zero_lag // 2, self.n_frames // 8)
        whitened = np.abs(self.whitened_xy[self.zero_lag - reach : self.zero_lag + reach + 1])
        peak = int(np.argmax(whitened)) - reach
        here = whitened[max(reach - 2, 0) : reach + 3].max()
        apart = whitened[peak + reach] > 2 * here
        explains_more = abs(self.xy[self.zero_lag + peak]) > abs(self.xy[self.zero_lag])
        return peak if apart and explains_more else 0

    def solve(self, n_taps: int) -> tuple[LinearFit, float]:
        """Fit with n_taps, solved anew for the sake of the ends, and its whitened residual."""
        first = self.centre - n_taps // 4
        target = self._at_lags(self.xy, first, n_taps)
        known = self.side.ends(self.reach(first, n_taps), keep=self.centre == 0)
        ends = EndErrors(known, self.candidate, first)
        taps, unseen = self._solve(target), np.zeros(n_taps)
        for _ in range(END_PASSES if n_taps < 4096 else 1):
            before, unseen = unseen, ends.seen_by_taps(ends.left(taps), n_taps)
            if np.abs(unseen - before).max() < NEGLIGIBLE * self.side.lags[self.zero_lag]:
                break
            taps = self._solve(target - unseen)
        errors = ends.left(taps)
        residual_db = self._residual_db(taps, first, ends.outer_energy(errors))
        if residual_db > LINEAR_DB and n_taps > 1:
            taps = tapered(taps, self.centre - first, self.sample_rate_hz)
            errors = ends.left(taps)
            residual_db = self._residual_db(taps, first, ends.outer_energy(errors))
        at_ends = ends.whitened_energy(errors, self.side.whitener)
        return LinearFit(taps, first, residual_db), self._whitened_residual(taps, first, at_ends)

    def _solve(self, target: Floats) -> Floats:
        """Least-squares taps; zeros where the reference is too narrow to know so many."""
        power, explained = self.side.lags[self.zero_lag], self.yy0 * 10 ** (EXPLAINED_DB / 10)
        largest = LARGEST_TAP * np.sqrt(self.yy0 / power)
        for ridge in RIDGES:
            matrix = self.side.matrix(len(target), ridge)
            taps, error = np.zeros(len(target)), -target
            for _ in range(1 + REFINEMENTS):
                taps = taps - matrix.solve(error)
                if not np.abs(taps).max() < largest:
                    break
                error = matrix.times(taps) - target
                beyond = float(np.sum(taps * error))
                ridged = ridge * power * float(np.sum(taps**2))
                left = self.yy0 - float(np.sum(taps * target)) + beyond - ridged
                if abs(beyond) <= SOLVED * max(left, explained):
                    return taps
        return np.zeros(len(target))

    def _residual_db(self, taps: Floats, first: int, at_ends: float) -> float:
        """Residual of the frames within the ends re the candidate there."""
        target = self._at_lags(self.xy, first, len(taps))
        left = _residual(taps, target, self._at_lags(self.side.lags, 0, len(taps)), self.yy0)
        inner = self.inner_share(first, len(taps)) * self.yy0
        return 10 * float(np.log10(max((left - at_ends) / inner, 1e-16)))

    def _whitened_residual(self, taps: Floats, first: int, at_ends: float) -> float:
        """Whitened energy left in the frames within the ends, brought to the whole length."""
        target = self._at_lags(self.whitened_xy, first, len(taps))
        lags = self._at_lags(self.side.whitened_lags, 0, len(taps))
        left = _residual(taps, target, lags, self.whitened_yy0) - at_ends
        return max(left, 1e-16 * self.whitened_yy0) / self.inner_share(first, len(taps))

    def _at_lags(self, series: Floats, first: int, n: int) -> Floats:
        return series[self.zero_lag + first : self.zero_lag + first + n]

    def inner_share(self, first: int, n_taps: int) -> float:
        """Share of the candidate's energy in the frames that do not see past an end."""
        w = self.reach(first, n_taps)
        outer = energy(self.candidate[:, :w]) + energy(self.candidate[:, self.n_frames - w :])
        return max(1 - outer / self.yy0, 1e-3)

    def reach(self, first: int, n_taps: int) -> int:
        """Frames that a filter looks ahead or behind, whichever is more."""
        return max(abs(first), abs(first + n_taps - 1), 1)


def _residual(taps: Floats, target: Floats, lags: Floats, yy0: float) -> float:
    """Energy of candidate minus filtered reference, from correlations alone."""
    from scipy.fft import irfft, next_fast_len, rfft

    n = len(taps)
    size = next_fast_len(2 * n, real=True)
    auto = irfft(np.abs(rfft(taps, size)) ** 2, size)[:n]
    power = 2 * float(np.sum(auto * lags)) - float(auto[0] * lags[0])
    return yy0 - 2 * float(np.sum(taps * target)) + power
