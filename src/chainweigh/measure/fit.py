"""The best static linear fit: the shortest FIR that explains a candidate's gain, delay and EQ.

What one filter, fixed for the whole song and shared by the channels, can make of the reference
is tone and not distortion.
"""

from dataclasses import dataclass

import numpy as np

from chainweigh.audio.array import Samples, check_pair, check_rate, check_samples
from chainweigh.measure.fit_side import FitSide, block_powers, fit_side
from chainweigh.measure.frames import rate_scale
from chainweigh.measure.linear_fit import LinearFit
from chainweigh.measure.normal_equations import EXPLAINED_DB, NormalEquations

TAP_COUNTS = (1, 33, 129, 513, 2049, 8193)  # up to 48 kHz; spans grow with the rate
SHORTER_COSTS_DB = 0.5
TONE_EXPLAINS_DB = 6.0  # an equaliser's part in what changed: three quarters, else there is none
GAINING_DB = 0.1  # 2049 taps that bring less need no longer filter beside them
MAX_ROWS = 8


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
    return _shortest(NormalEquations(candidate, sample_rate_hz, side))


@dataclass(frozen=True)
class _Trial:
    """A fit and its final prediction errors, plain and whitened."""

    fit: LinearFit
    plain_db: float
    whitened_db: float


def _shortest(equations: NormalEquations) -> LinearFit:
    """Walk from short to long: stop where all is explained, else compare with the best."""
    n_values = _steady_frames(equations)
    trials: list[_Trial] = []
    for base in TAP_COUNTS:
        n_taps = (base - 1) * rate_scale(equations.sample_rate_hz) + 1
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


def _steady_frames(equations: NormalEquations) -> float:
    """Length of a steady signal that would tell as much as this one, whose hits tell the most."""
    n, power_x = equations.n_frames, equations.side.block_powers
    power_y = block_powers(equations.candidate)
    together = float(np.mean(power_x * power_y))
    return n * float(power_x.mean() * power_y.mean()) / together if together > 0 else float(n)
