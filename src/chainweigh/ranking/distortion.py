"""What a candidate does to the programme: residual, tone change, punch, audibility."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, from_db
from chainweigh.measure.audibility import measure_audibility
from chainweigh.measure.fit import LinearFit, apply_fit, fit_linear
from chainweigh.measure.level_match import level_match_db
from chainweigh.measure.loudness import loudness_energies
from chainweigh.measure.onsets import Onsets
from chainweigh.measure.punch import measure_punch
from chainweigh.measure.residual import FittedReference, follow_gains, measure_residual
from chainweigh.ranking.mix import gain_lu, measure_plr_db
from chainweigh.ranking.results import HeardMeasures, ProgrammeMeasures, Reasons
from chainweigh.ranking.windows import Windows


@dataclass(frozen=True)
class ToneFit:
    """The static linear fit of a candidate, as the cache keeps it."""

    taps: tuple[float, ...] = (1.0,)
    first_lag_frames: int = 0

    @property
    def changes_tone(self) -> bool:
        """Whether it is more than a gain and a delay."""
        return len(self.taps) > 1

    @property
    def _fit(self) -> LinearFit:
        return LinearFit(np.array(self.taps), self.first_lag_frames, None)

    def applied(self, reference: Samples) -> Samples:
        """The reference with the candidate's tone."""
        return apply_fit(self._fit, reference)

    def fitted(self, reference: Samples, candidate: Samples, sample_rate_hz: int) -> Samples:
        """The reference with the candidate's tone and slow gain movement."""
        tone = self.applied(reference)
        return follow_gains(self._fit, tone, candidate, sample_rate_hz=sample_rate_hz).samples


@dataclass(frozen=True)
class FittedProgramme:
    """Measures on the programme, and what later measures in the mix need.

    `fitted` is the fitted reference in the windows, joined.
    """

    measures: ProgrammeMeasures
    tone_fit: ToneFit
    fitted: Samples = field(repr=False)


def measure_programme(
    reference: Samples, candidate: Samples, onsets: Onsets, windows: Windows
) -> FittedProgramme:
    """Residual, tone gain and punch of a matched candidate against its reference.

    Parameters
    ----------
    reference, candidate : shape (2, n_frames), aligned and equally loud
    onsets : of the reference

    Notes
    -----
    One static FIR is fitted over the whole song; octave-band gains, residual and audibility are
    judged in the windows. Punch is held against the reference with the candidate's tone: an
    equaliser takes none.
    """
    rate = windows.sample_rate_hz
    fit, tone, fitted = fit_programme(reference, candidate, windows)
    tone_fit = ToneFit(tuple(map(float, fit.taps)), fit.first_lag_frames)
    taken = windows.cut(candidate)
    residual = measure_residual(fitted, taken, sample_rate_hz=rate)
    toned = _as_loud(tone, candidate, rate) if tone_fit.changes_tone else reference
    punch = measure_punch(toned, candidate, rate, onsets)
    undefined: Reasons = {**residual.undefined}
    tone_gain = 0.0
    if tone_fit.changes_tone:
        changed = gain_lu(measure_plr_db(reference, rate), measure_plr_db(tone, rate))
        tone_gain = changed if changed is not None else 0.0
    if punch.punch_loss_db is None:
        undefined["punch_loss_db"] = punch.undefined.get("punch_change_db", "no hits to judge")
    measures = ProgrammeMeasures(
        sdr_db=residual.sdr_db,
        residual_pct=residual.residual_pct,
        gain_movement_db=residual.gain_movement_db,
        low_band_residual_db=residual.low_band_residual_db,
        tone_gain_lu=tone_gain,
        punch_change_db=punch.punch_change_db,
        punch_low_change_db=punch.punch_low_change_db,
        punch_loss_db=punch.punch_loss_db,
        undefined=undefined,
    )
    return FittedProgramme(measures, tone_fit, fitted.samples)


def fit_programme(
    reference: Samples, candidate: Samples, windows: Windows
) -> tuple[LinearFit, Samples, FittedReference]:
    """The static fit over the whole song, the reference through it, and the fitted reference.

    The last is in the windows, joined.
    """
    rate = windows.sample_rate_hz
    fit = fit_linear(reference, candidate, sample_rate_hz=rate)
    tone = apply_fit(fit, reference)
    taken = windows.cut(candidate)
    return fit, tone, follow_gains(fit, windows.cut(tone), taken, sample_rate_hz=rate)


def _as_loud(samples: Samples, reference: Samples, sample_rate_hz: int) -> Samples:
    """Samples at the reference's loudness; as they are where either has none."""
    energies = (loudness_energies(s, sample_rate_hz) for s in (reference, samples))
    gain_db = level_match_db(*energies)
    return samples if gain_db is None else samples * np.float32(from_db(gain_db))


def measure_heard(
    fitted: Samples,
    candidate: Samples,
    onsets: Onsets,
    windows: Windows,
    others: NDArray[np.float64] | None = None,
) -> HeardMeasures:
    """Audibility of what a candidate added, by itself or beside the other groups as they stand.

    Parameters
    ----------
    fitted, candidate : in the windows, joined
    onsets : in song time: of the dry group or, where there are others, of the dry mix
    others : sum of the other groups in the windows, float64, shape (2, n_frames)
    """
    if others is not None:
        fitted = (others + fitted).astype(np.float32)
        candidate = (others + candidate).astype(np.float32)
    heard = measure_audibility(
        fitted,
        candidate,
        sample_rate_hz=windows.sample_rate_hz,
        spans=windows.joined_spans,
        onsets_s=windows.joined_times_s(onsets.times_s.tolist()) or None,
    )
    return HeardMeasures(
        nmr_mean_db=heard.nmr_mean_db,
        nmr_worst_db=heard.nmr_worst_db,
        disturbed_pct=heard.disturbed_pct,
        disturbed_onsets_pct=heard.disturbed_onsets_pct,
        worst_moments_s=windows.song_times_s(heard.worst_moments_s),
        undefined=dict(heard.undefined),
    )
