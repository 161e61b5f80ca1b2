"""What a candidate does to the programme: residual, tone change, punch, audibility."""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields

import numpy as np

from chainweigh.audio.array import Samples, from_db, is_mono
from chainweigh.measure.audibility import measure_audibility
from chainweigh.measure.fit import fit_linear
from chainweigh.measure.fit_side import FitSide, fit_side
from chainweigh.measure.level_match import level_match_db
from chainweigh.measure.linear_fit import LinearFit, apply_fit
from chainweigh.measure.loudness import LoudnessEnergies, loudness_energies
from chainweigh.measure.onsets import Onsets
from chainweigh.measure.punch import Hits, compare_hits, find_hits
from chainweigh.measure.residual import FittedReference, follow_gains, measure_residual
from chainweigh.once import once
from chainweigh.ranking.mix import gain_lu, measure_plr_db
from chainweigh.ranking.results import HeardMeasures, ProgrammeMeasures, Reasons
from chainweigh.ranking.windows import Windows, loudest_windows


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


class Programme:
    """What distortion on a programme is held against; its own part is computed once, on first use.

    Parameters
    ----------
    samples : shape (2, n_frames)
    onsets : of the reference
    windows : where distortion is judged
    energies : of the samples, where they are at hand
    """

    def __init__(
        self,
        samples: Samples,
        onsets: Onsets,
        windows: Windows,
        energies: LoudnessEnergies | None = None,
    ) -> None:
        self.samples, self.onsets, self.windows = samples, onsets, windows
        self._energies = energies

    def fit(self, candidate: Samples) -> LinearFit:
        """The static fit of a candidate, from where the programme itself is loudest.

        Of a mono programme one channel is fitted, unless the candidate is no longer mono.
        """
        loudest, side = self._loudest, self._fit_side
        rate, rows = self.windows.sample_rate_hz, loudest.stacked(candidate)
        if len(side.reference) < len(rows):
            if not is_mono(rows):
                return fit_linear(loudest.stacked(self.samples), rows, sample_rate_hz=rate)
            rows = rows[::2].copy()
        return fit_linear(side.reference, rows, sample_rate_hz=rate, side=side)

    def follow(self, fit: LinearFit, candidate: Samples) -> FittedReference:
        """The reference with a candidate's tone and slow gain movement, in the windows, joined."""
        spans = self.windows.frames(self.samples.shape[1])
        return follow_gains(
            fit,
            apply_fit(fit, self.samples, spans=spans),
            self.windows.cut(candidate),
            sample_rate_hz=self.windows.sample_rate_hz,
        )

    def let_go(self) -> None:
        """Let go of what is worth its memory only while many candidates are fitted."""
        self.__dict__.pop("_fit_side", None)

    @once
    def _loudest(self) -> Windows:
        return loudest_windows(self.samples, self.windows.sample_rate_hz, self._energies)

    @once
    def _fit_side(self) -> FitSide:
        rows = self._loudest.stacked(self.samples)
        reference = rows[::2].copy() if is_mono(rows) else rows
        return fit_side(reference, self.windows.sample_rate_hz)

    @once
    def hits(self) -> Hits:
        """Its hits, for punch."""
        return find_hits(self.samples, self.windows.sample_rate_hz, self.onsets)

    @once
    def plr_db(self) -> float | None:
        """Its peak-to-loudness ratio."""
        return measure_plr_db(self.samples, self.windows.sample_rate_hz, self._energies)


def measure_programme(
    programme: Programme, candidate: Samples, energies: LoudnessEnergies | None = None
) -> FittedProgramme:
    """Residual, tone gain and punch of a matched candidate against a programme.

    Parameters
    ----------
    candidate : shape (2, n_frames), aligned with the programme and as loud
    energies : of the candidate, where they are at hand

    Notes
    -----
    One static FIR is fitted where the programme itself is loudest, which may not be where the song
    is; octave-band gains, residual and audibility are judged in the song's windows. Punch is held
    against the reference with the candidate's tone: an equaliser takes none.
    """
    windows = programme.windows
    rate = windows.sample_rate_hz
    fit = programme.fit(candidate)
    fitted = programme.follow(fit, candidate)
    residual = measure_residual(fitted, windows.cut(candidate), sample_rate_hz=rate)
    tone_fit = ToneFit(tuple(map(float, fit.taps)), fit.first_lag_frames)
    energies = energies or loudness_energies(candidate, rate)
    tone_gain, hits = _tone_part(programme, tone_fit, energies)
    punch = compare_hits(hits, candidate)
    undefined: Reasons = {**residual.undefined, **_only_known(punch.undefined)}
    if punch.punch_loss_db is None:
        undefined["punch_loss_db"] = punch.undefined.get("punch_change_db", "no hits to judge")
    measures = ProgrammeMeasures(
        sdr_db=residual.sdr_db,
        residual_pct=residual.residual_pct,
        gain_movement_db=residual.gain_movement_db,
        gain_low_s=_song_time_s(windows, residual.gain_low_s),
        low_band_residual_db=residual.low_band_residual_db,
        tone_gain_lu=tone_gain,
        punch_change_db=punch.punch_change_db,
        punch_worst_s=punch.punch_worst_s,
        punch_low_change_db=punch.punch_low_change_db,
        punch_low_worst_s=punch.punch_low_worst_s,
        punch_loss_db=punch.punch_loss_db,
        undefined=undefined,
    )
    return FittedProgramme(measures, tone_fit, fitted.samples)


def _only_known(reasons: Mapping[str, str]) -> Reasons:
    """Reasons of fields that the record has."""
    names = {field.name for field in fields(ProgrammeMeasures)}
    return {name: reason for name, reason in reasons.items() if name in names}


def _song_time_s(windows: Windows, joined_s: float | None) -> float | None:
    """A time in the windows as one of the song."""
    times_s = () if joined_s is None else windows.song_times_s((joined_s,))
    return times_s[0] if times_s else None


def _tone_part(
    programme: Programme, fit: ToneFit, candidate: LoudnessEnergies
) -> tuple[float, Hits]:
    """What the tone alone gains in LU, and the hits of the reference with it, as loud."""
    if not fit.changes_tone:
        return 0.0, programme.hits
    rate = programme.windows.sample_rate_hz
    tone = fit.applied(programme.samples)
    energies = loudness_energies(tone, rate)
    gained = gain_lu(programme.plr_db, measure_plr_db(tone, rate, energies))
    gain_db = level_match_db(candidate, energies)
    if gain_db is not None:
        tone *= np.float32(from_db(gain_db))
    return gained if gained is not None else 0.0, find_hits(tone, rate, programme.onsets)


def measure_heard(
    fitted: Samples,
    candidate: Samples,
    onsets: Onsets,
    windows: Windows,
) -> HeardMeasures:
    """Audibility of what a candidate added, by itself or in the mix.

    Parameters
    ----------
    fitted, candidate : in the windows, joined; the other groups added to both in the mix
    onsets : in song time: of the dry group or, in the mix, of the dry mix
    """
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
