"""The best static linear fit: the shortest FIR that explains a candidate's gain, delay and EQ.

What one filter, fixed for the whole song and shared by the channels, can make of the reference
is tone and not distortion. The filter comes from the normal equations of least squares. Their
matrix is Toeplitz for signals that start and end in silence; for excerpts the samples that the
filter cannot know (those that depend on what lay outside) are filled in from a first solution
and the equations solved again, which leaves only the samples both signals hold to be explained.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_pair, check_rate, check_samples
from chainweigh.kernels.toeplitz import solve_toeplitz
from chainweigh.measure.correlation import (
    Spectra,
    autocorrelation,
    cross_correlation,
    surroundings,
)
from chainweigh.measure.fit_taper import tapered
from chainweigh.measure.frames import chunks, piece, rate_scale
from chainweigh.measure.linear_fit import LinearFit

Floats = NDArray[np.float64]

TAP_COUNTS = (1, 33, 129, 513, 2049, 8193)  # up to 48 kHz; spans grow with the rate
SHORTER_COSTS_DB = 0.5
TONE_EXPLAINS_DB = 6.0  # an equaliser's part in what changed: three quarters, else there is none
GAINING_DB = 0.1  # 2049 taps that bring less need no longer filter beside them
EXPLAINED_DB = -100.0
LINEAR_DB = -40.0  # what is left above this is not an equaliser's: see fit_taper
LAG_FRAMES = 16384  # correlations are exact up to here, times the rate's scale
RIDGES = (1e-11, 1e-9, 1e-7)  # of the reference's power: keep empty parts of the spectrum solvable
SOLVED = 0.1  # of the residual: where inexact equations move it more, rounding made the taps
REFINEMENTS = 2  # of a solution that rounding has spoilt, by what its equations still lack
LARGEST_TAP = 1e6  # re the gain alone; what overflows lies beyond
NEGLIGIBLE = 1e-6  # ends that weigh less need no further solution
END_PASSES = 2  # one for the longest filters, whose solution is dear
WHITENING_ORDER = 32
MAX_ROWS = 8
POWER_FRAMES = 1024  # of a block whose energy is taken


@dataclass(frozen=True, eq=False)
class FitSide:
    """What a fit needs of its reference, for several candidates; from `fit_side`.

    `around` keeps the transforms, three times the reference's memory.
    """

    lags: Floats
    block_powers: Floats
    around: Sequence[Spectra] | None = None


def fit_side(reference: Samples, sample_rate_hz: int, *, keep: bool = True) -> FitSide:
    """The reference's part of `fit_linear`; `keep` holds what only further candidates need."""
    n_lags = LAG_FRAMES * rate_scale(sample_rate_hz)
    around = list(surroundings(reference, n_lags)) if keep else None
    lags = autocorrelation(around or surroundings(reference, n_lags), reference, n_lags)
    return FitSide(lags, _block_powers(reference), around)


def fit_linear(
    reference: Samples,
    candidate: Samples,
    *,
    sample_rate_hz: int,
    side: FitSide | None = None,
) -> LinearFit:
    """Shortest static FIR that explains what an equaliser did: within 0.5 dB of the best.

    Parameters
    ----------
    reference, candidate : float32, shape (n_rows, n_frames), the same for both: one or two
        channels, or those of up to four stretches of a song
    sample_rate_hz : 8000 to 384000
    side : of this reference, from `fit_side`, where several candidates are held against it

    Returns
    -------
    LinearFit with 1, 33, 129, 513, 2049 or 8193 taps (twice that above 48 kHz, and so on),
    a quarter of them ahead of no delay, or of the delay where correlation is strongest by far
    (up to 8192 frames; align larger delays first, see `chainweigh.measure.delay`).

    Raises
    ------
    SignalError
        Shapes that differ, samples that are not finite, a rate out of range.

    Notes
    -----
    A filter is long enough when its residual, corrected for the degrees of freedom it spends
    (final prediction error), is within 0.5 dB of the best, both plain and with the signals
    whitened by the reference's own spectrum, so that quiet treble counts as bass does; or when
    the plain residual is below -100 dB. Filters that leave more than -40 dB are faded out over 16
    periods of each octave, which keeps them to what an equaliser can be; and a filter that
    explains less than three quarters of what a gain alone leaves, plain and whitened, is no
    equaliser's but the trace of clipping or gain movement: the gain alone is returned. Filters
    longer than an eighth of the signal are left out. A silent reference or candidate leaves
    residual_db undefined. Sums are in float64 and in fixed order.

    References
    ----------
    H. Akaike, "Fitting autoregressive models for prediction", Ann. Inst. Stat. Math. 21, 1969.
    """
    check_samples(reference, what="reference", max_channels=MAX_ROWS)
    check_samples(candidate, what="candidate", max_channels=MAX_ROWS)
    check_pair(reference, candidate)
    check_rate(sample_rate_hz)
    if not reference.any():
        return LinearFit(np.ones(1), 0, None, {"residual_db": "the reference is silent"})
    if not candidate.any():
        return LinearFit(np.zeros(1), 0, None, {"residual_db": "the candidate is silent"})
    side = side or fit_side(reference, sample_rate_hz, keep=False)
    return _shortest(_NormalEquations(reference, candidate, sample_rate_hz, side))


class _NormalEquations:
    """Correlations summed over channels, and the ends of both signals."""

    def __init__(
        self, reference: Samples, candidate: Samples, sample_rate_hz: int, side: FitSide
    ) -> None:
        self.reference, self.candidate, self.side = reference, candidate, side
        self.sample_rate_hz, self.scale = sample_rate_hz, rate_scale(sample_rate_hz)
        self.n_frames = reference.shape[1]
        n_lags = LAG_FRAMES * self.scale
        self.zero_lag = n_lags - 1
        self.xx = side.lags
        around = side.around or surroundings(reference, n_lags)
        self.xy, self.near_yy = cross_correlation(around, candidate, n_lags, WHITENING_ORDER)
        self.yy0 = float(self.near_yy[WHITENING_ORDER])
        self.whitener = _whitener(self.xx[self.zero_lag :])
        self.centre = self._centre()

    def _centre(self) -> int:
        """Lag the filter is centred on: 0 unless both correlations clearly peak apart.

        A clipped bass whitens to something as periodic as itself: there the plain one decides.
        """
        reach = min(self.zero_lag // 2, self.n_frames // 8)
        shape = np.convolve(self.whitener, self.whitener[::-1])
        whitened = np.abs(_same(self.xy, shape))[self.zero_lag - reach : self.zero_lag + reach + 1]
        peak = int(np.argmax(whitened)) - reach
        here = whitened[max(reach - 2, 0) : reach + 3].max()
        apart = whitened[peak + reach] > 2 * here
        explains_more = abs(self.xy[self.zero_lag + peak]) > abs(self.xy[self.zero_lag])
        return peak if apart and explains_more else 0

    def solve(self, n_taps: int) -> tuple[LinearFit, float]:
        """Fit with n_taps, solved anew for the sake of the ends, and its whitened residual."""
        first = self.centre - n_taps // 4
        target = self.xy[self.zero_lag + first : self.zero_lag + first + n_taps]
        taps, unseen = self._solve(target), np.zeros(n_taps)
        for _ in range(END_PASSES if n_taps < 4096 else 1):
            ends = self._end_errors(taps, first)
            before, unseen = unseen, self._seen_by_taps(ends, first, n_taps)
            if np.abs(unseen - before).max() < NEGLIGIBLE * self.xx[self.zero_lag]:
                break
            taps = self._solve(target - unseen)
        fit, whitened = self._judged(taps, first, target)
        if fit.residual_db is not None and fit.residual_db > LINEAR_DB:
            taps = tapered(taps, self.centre - first, self.sample_rate_hz)
            fit, whitened = self._judged(taps, first, target)
        return fit, whitened

    def _judged(self, taps: Floats, first: int, target: Floats) -> tuple[LinearFit, float]:
        """Taps with their residual, and their whitened residual, on the frames within the ends."""
        order = len(self.whitener) - 1
        ends = self._end_errors(taps, first, order)
        whitened_ends = self._outer_energy(_filtered(ends, self.whitener), order)
        left = self._residual(taps, target, self.xx, self.yy0)
        left -= self._outer_energy(ends, order)
        inner = self._inner_share(first, len(taps))
        residual_db = 10 * float(np.log10(max(left / (inner * self.yy0), 1e-16)))
        whitened = self._whitened_residual(taps, first, whitened_ends) / inner
        return LinearFit(taps, first, residual_db), whitened

    def _outer_energy(self, ends: Floats, margin: int) -> float:
        """Energy of what lies at the ends, without the margin on either's inner side.

        Whitened, heads are longer by as much: the filter clicks where its input is cut off, and
        rings on behind it.
        """
        heads, tails = np.split(ends, 2)
        return energy(heads[:, : heads.shape[1] - margin]) + energy(tails[:, margin:])

    def _solve(self, target: Floats) -> Floats:
        """Least-squares taps; zeros where the reference is too narrow to know so many."""
        from scipy.linalg import matmul_toeplitz

        column = self.xx[self.zero_lag : self.zero_lag + len(target)].copy()
        power, explained = column[0], self.yy0 * 10 ** (EXPLAINED_DB / 10)
        largest = LARGEST_TAP * np.sqrt(self.yy0 / power)
        for ridge in RIDGES:
            column[0] = power * (1 + ridge)
            taps, error = np.zeros(len(target)), -target
            for _ in range(1 + REFINEMENTS):
                taps = taps - solve_toeplitz(column, error)
                if not np.abs(taps).max() < largest:
                    break
                error = matmul_toeplitz(column, taps) - target
                left = max(self._residual(taps, target, self.xx, self.yy0), explained)
                if abs(float(np.sum(taps * error))) <= SOLVED * left:
                    return np.asarray(taps)
        return np.zeros(len(target))

    def _residual(self, taps: Floats, target: Floats, xx: Floats, yy0: float) -> float:
        """Energy of candidate minus filtered reference, from correlations alone."""
        from scipy.fft import irfft, next_fast_len, rfft

        n = len(taps)
        size = next_fast_len(2 * n, real=True)
        auto = irfft(np.abs(rfft(taps, size)) ** 2, size)[:n]
        lags = xx[self.zero_lag : self.zero_lag + n]
        power = 2 * float(np.sum(auto * lags)) - float(auto[0] * lags[0])
        return yy0 - 2 * float(np.sum(taps * target)) + power

    def _whitened_residual(self, taps: Floats, first: int, at_ends: float) -> float:
        shape = np.convolve(self.whitener, self.whitener[::-1])
        if not hasattr(self, "_whitened"):
            yy0 = float(np.sum(self.near_yy * shape))
            self._whitened = _same(self.xx, shape), _same(self.xy, shape), yy0
        xx, xy, yy0 = self._whitened
        target = xy[self.zero_lag + first : self.zero_lag + first + len(taps)]
        left = self._residual(taps, target, xx, yy0) - at_ends
        return max(left, 1e-16 * yy0)

    def _end_errors(self, taps: Floats, first: int, margin: int = 0) -> Floats:
        """Candidate minus filtered reference on the frames that see past either end.

        Frames [-w, w) of every channel, then [n - w, n + w), w the filter's reach and a margin: 2 w
        columns.
        """
        w = self._reach(first, len(taps)) + margin
        x, y = self._ends(self.reference, w), self._ends(self.candidate, w)
        filtered = _filtered(x, taps)
        n_channels = len(self.reference)
        errors = np.empty((2 * n_channels, 2 * w))
        errors[:n_channels] = -_window(filtered[:n_channels], -w - first, 2 * w)
        errors[n_channels:] = -_window(filtered[n_channels:], w - first, 2 * w)
        errors[:n_channels, w:] += y[:n_channels, :w]
        errors[n_channels:, :w] += y[n_channels:, w:]
        return errors

    def _seen_by_taps(self, ends: Floats, first: int, n_taps: int) -> Floats:
        """Cross-correlation of the reference with the errors at the ends, at the taps' lags."""
        from scipy.fft import irfft, next_fast_len, rfft

        w = self._reach(first, n_taps)
        size = next_fast_len(6 * w + 1, real=True)
        x = self._ends(self.reference, w)
        cross = irfft(np.conj(rfft(x, size)) * rfft(ends, size), size)
        lags = np.arange(first, first + n_taps)
        n_channels = len(self.reference)
        head, tail = cross[:n_channels].sum(axis=0), cross[n_channels:].sum(axis=0)
        return np.asarray(head[(lags + w) % size] + tail[(lags - w) % size])

    def _inner_share(self, first: int, n_taps: int) -> float:
        """Share of the candidate's energy in the frames that do not see past an end."""
        w = self._reach(first, n_taps)
        outer = energy(self.candidate[:, :w]) + energy(self.candidate[:, self.n_frames - w :])
        return max(1 - outer / self.yy0, 1e-3)

    def _ends(self, signal: Samples, w: int) -> Floats:
        """First 2 w frames of every channel, then the last 2 w."""
        starts = (0, self.n_frames - 2 * w)
        ends = [piece(channel, at, 2 * w) for at in starts for channel in signal]
        return np.array(ends, dtype=np.float64)

    def _reach(self, first: int, n_taps: int) -> int:
        return max(abs(first), abs(first + n_taps - 1), 1)


@dataclass(frozen=True)
class _Trial:
    """A fit and its final prediction errors, plain and whitened."""

    fit: LinearFit
    plain_db: float
    whitened_db: float


def _shortest(equations: _NormalEquations) -> LinearFit:
    """Walk from short to long: stop where all is explained, else compare with the best."""
    n_values = _steady_frames(equations)
    trials: list[_Trial] = []
    for base in TAP_COUNTS:
        n_taps = (base - 1) * equations.scale + 1
        if trials and 8 * (n_taps + abs(equations.centre)) > equations.n_frames:
            break
        if base == TAP_COUNTS[-1] and not _still_gains(trials):
            break
        fit, whitened = equations.solve(n_taps)
        assert fit.residual_db is not None
        if fit.residual_db < EXPLAINED_DB:
            return fit
        spent_db = 10 * np.log10((n_values + n_taps) / max(n_values - n_taps, 1.0))
        whitened_db = 10 * np.log10(whitened) + spent_db
        trials.append(_Trial(fit, fit.residual_db + spent_db, whitened_db))
    best_plain_db = min(trial.plain_db for trial in trials)
    near = [t for t in trials if t.plain_db <= best_plain_db + SHORTER_COSTS_DB]
    best_whitened_db = min(trial.whitened_db for trial in near)
    shortest = next(t for t in near if t.whitened_db <= best_whitened_db + SHORTER_COSTS_DB)
    return shortest.fit if _explains_tone(shortest, trials[0]) else trials[0].fit


def _explains_tone(trial: _Trial, gain_alone: _Trial) -> bool:
    """Whether a filter explains most of what a gain leaves: dynamics look like a weak filter."""
    return (
        trial.plain_db < gain_alone.plain_db - TONE_EXPLAINS_DB
        or trial.whitened_db < gain_alone.whitened_db - TONE_EXPLAINS_DB
    )


def _still_gains(trials: list[_Trial]) -> bool:
    """Whether the longest so far explains anything that shorter ones do not."""
    *shorter, last = trials
    return bool(shorter) and (
        last.plain_db < min(t.plain_db for t in shorter) - GAINING_DB
        or last.whitened_db < min(t.whitened_db for t in shorter) - GAINING_DB
    )


def _steady_frames(equations: _NormalEquations) -> float:
    """Length of a steady signal that would tell as much as this one, whose hits tell the most."""
    n, power_x = equations.n_frames, equations.side.block_powers
    power_y = _block_powers(equations.candidate)
    together = float(np.mean(power_x * power_y))
    return n * float(power_x.mean() * power_y.mean()) / together if together > 0 else float(n)


def _block_powers(signal: Samples) -> Floats:
    """Energy of each whole block, summed over channels."""
    block = min(POWER_FRAMES, signal.shape[1])
    powers = np.empty(signal.shape[1] // block)
    for blocks in chunks(len(powers)):
        squares = np.square(signal[:, blocks.start * block : blocks.stop * block]).sum(axis=0)
        powers[blocks] = squares.reshape(-1, block).sum(axis=1, dtype=np.float64)
    return powers


def _whitener(auto: Floats) -> Floats:
    """Prediction-error filter of the reference's long-term spectrum, as an FIR."""
    order = min(WHITENING_ORDER, len(auto) - 1)
    column = auto[:order].copy()
    column[0] *= 1 + 1e-9
    return np.asarray(np.r_[1.0, -solve_toeplitz(column, auto[1 : order + 1])])


def _same(lags: Floats, shape: Floats) -> Floats:
    """A symmetric lag function smoothed by a short symmetric shape; same length."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(len(lags) + len(shape), real=True)
    full = irfft(rfft(lags, size) * rfft(shape, size), size)
    return np.asarray(full[len(shape) // 2 :][: len(lags)])


def _filtered(rows: Floats, taps: Floats) -> Floats:
    """Full convolution of each row."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(rows.shape[1] + len(taps), real=True)
    full = irfft(rfft(rows, size) * rfft(taps, size), size)
    return np.asarray(full[:, : rows.shape[1] + len(taps) - 1])


def _window(signal: Floats, start: int, n_frames: int) -> Floats:
    """Columns [start, start + n_frames), zero where there are none."""
    out = np.zeros((len(signal), n_frames))
    first, last = max(start, 0), min(start + n_frames, signal.shape[1])
    if last > first:
        out[:, first - start : last - start] = signal[:, first:last]
    return out


def energy(signal: NDArray[np.float32] | Floats) -> float:
    """Sum of squares over channels and frames, in float64."""
    return float(np.einsum("cn,cn->", signal, signal, dtype=np.float64))
