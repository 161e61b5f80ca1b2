"""What a static fit needs of its reference, computed once for several candidates."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.kernels.toeplitz import SymmetricToeplitz, solve_toeplitz
from chainweigh.measure.correlation import Spectra, autocorrelation, smoothed_lags, surroundings
from chainweigh.measure.fit_ends import ReferenceEnds
from chainweigh.measure.frames import chunks, rate_scale
from chainweigh.once import once

Floats = NDArray[np.float64]

LAG_FRAMES = 16384  # correlations are exact up to here, times the rate's scale
WHITENING_ORDER = 32
POWER_FRAMES = 1024  # of a block whose energy is taken


@dataclass(frozen=True, eq=False)
class FitSide:
    """What a fit needs of its reference, for several candidates; from `fit_side`.

    `around` keeps the transforms, three times the reference's memory.
    """

    reference: Samples
    lags: Floats
    block_powers: Floats
    around: Sequence[Spectra] | None = None
    _matrices: dict[tuple[int, float], SymmetricToeplitz] = field(default_factory=dict, init=False)
    _ends: dict[int, ReferenceEnds] = field(default_factory=dict, init=False)

    @property
    def zero_lag(self) -> int:
        """Which of the lags is none."""
        return len(self.lags) // 2

    @once
    def whitener(self) -> Floats:
        """Prediction-error filter of the reference's long-term spectrum, as an FIR."""
        auto = self.lags[self.zero_lag :]
        column = auto[:WHITENING_ORDER].copy()
        column[0] *= 1 + 1e-9
        return np.asarray(np.r_[1.0, -solve_toeplitz(column, auto[1 : WHITENING_ORDER + 1])])

    @once
    def whitening(self) -> Floats:
        """What the whitener makes of correlations, on both sides."""
        return np.convolve(self.whitener, self.whitener[::-1])

    @once
    def whitened_lags(self) -> Floats:
        """Of the reference when whitened."""
        return smoothed_lags(self.lags, self.whitening)

    def surroundings(self) -> Iterable[Spectra]:
        """As `correlation.surroundings` of the reference, kept or made anew."""
        return self.around or surroundings(self.reference, self.zero_lag + 1)

    def matrix(self, n_taps: int, ridge: float) -> SymmetricToeplitz:
        """Of the normal equations, its diagonal raised by a share of the reference's power."""
        kept = self._matrices.get((n_taps, ridge))
        if kept is None:
            column = self.lags[self.zero_lag : self.zero_lag + n_taps].copy()
            column[0] *= 1 + ridge
            kept = self._matrices.setdefault((n_taps, ridge), SymmetricToeplitz(column))
        return kept

    def ends(self, reach: int, *, keep: bool) -> ReferenceEnds:
        """Transforms of both ends for filters that reach so far; to keep for more of them."""
        ends = self._ends.get(reach) or ReferenceEnds.of(self.reference, reach, WHITENING_ORDER)
        if keep:
            self._ends[reach] = ends
        return ends


def fit_side(reference: Samples, sample_rate_hz: int, *, keep: bool = True) -> FitSide:
    """The reference's part of `fit_linear`; `keep` holds what only further candidates need."""
    n_lags = LAG_FRAMES * rate_scale(sample_rate_hz)
    around = list(surroundings(reference, n_lags)) if keep else None
    lags = autocorrelation(around or surroundings(reference, n_lags), reference, n_lags)
    return FitSide(reference, lags, block_powers(reference), around)


def block_powers(signal: Samples) -> Floats:
    """Energy of each whole block, summed over channels."""
    block = min(POWER_FRAMES, signal.shape[1])
    powers = np.empty(signal.shape[1] // block)
    for blocks in chunks(len(powers)):
        squares = np.square(signal[:, blocks.start * block : blocks.stop * block]).sum(axis=0)
        powers[blocks] = squares.reshape(-1, block).sum(axis=1, dtype=np.float64)
    return powers
