"""Everything two files say about each other: a candidate held against its reference.

Conventions
-----------
The candidate is first moved onto the reference where one delay stands out, and both are cut to the
frames they share; one static gain then makes it as loud as the reference. All measures are taken
from that pair, reference first, candidate second. Times are those of the frames they share: the
reference's own unless the candidate was early.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from chainweigh.audio.array import Samples, check_pair, check_rate, check_samples, from_db
from chainweigh.errors import SignalError
from chainweigh.measure.audibility import Audibility, measure_audibility
from chainweigh.measure.delay import Delay, estimate_delay
from chainweigh.measure.fit import fit_linear
from chainweigh.measure.frames import chunks
from chainweigh.measure.image import ImageChange, measure_image_change
from chainweigh.measure.level_match import level_match_db
from chainweigh.measure.linear_fit import apply_fit
from chainweigh.measure.loudness import loudness_energies, loudness_from, short_term_lufs
from chainweigh.measure.onsets import find_onsets
from chainweigh.measure.punch import Punch, measure_punch
from chainweigh.measure.residual import (
    FittedReference,
    Residual,
    follow_gains,
    measure_residual,
)
from chainweigh.measure.sections import Contrast, measure_contrast
from chainweigh.measure.spectrum import SpectrumChange, measure_spectrum_change
from chainweigh.measure.tone_change import ToneChange, measure_tone_change

NO_DELAY = "no single delay stands out"
MOVED_FRAMES = 65_536  # at once


@dataclass(frozen=True)
class PairMeasures:
    """A candidate against its reference, level-matched and time-aligned.

    Attributes
    ----------
    match_gain_db : static gain that makes the candidate as loud as the reference
    shift_frames : whole frames the candidate was moved earlier (negative: later)
    delay_ms : delay of the candidate, fractions of a frame included
    n_frames : length compared
    gain : loudness gained at equal true peak, and how much of it is tone
    residual : what tone and slow gain movement do not explain
    audibility : whether that is heard beside the programme
    punch : energy of the loudest hits
    spectrum : third octaves
    image : correlation, side to middle, fold-down to mono
    contrast : loud sections against quiet ones
    undefined : field name -> reason; each record holds its own
    """

    match_gain_db: float | None
    shift_frames: int
    delay_ms: float | None
    n_frames: int
    gain: ToneChange
    residual: Residual
    audibility: Audibility
    punch: Punch
    spectrum: SpectrumChange
    image: ImageChange
    contrast: Contrast
    undefined: Mapping[str, str] = field(default_factory=dict)


def measure_against(
    reference: Samples, candidate: Samples, *, sample_rate_hz: int, overwrite: bool = False
) -> PairMeasures:
    """Measure a candidate against its reference after matching delay and loudness.

    Parameters
    ----------
    reference, candidate : float32, shape (n_channels, n_frames), the same for both
    sample_rate_hz : 8000 to 384000, whole
    overwrite : whether both arrays may be written over, which spares a copy of each

    Raises
    ------
    SignalError
        Shapes that differ, no frames, samples that are not finite, a rate out of range.

    Notes
    -----
    Where either loudness is undefined the two are compared at their own levels, and
    `undefined["match_gain_db"]` says so. Definitions stand with each record. Besides the
    two arrays it needs room for one more of their size, up to three without `overwrite`, and for
    about 50 MB; and about 3 s a minute of stereo at 44.1 kHz.
    """
    check_samples(reference, what="reference")
    check_samples(candidate, what="candidate")
    check_pair(reference, candidate)
    check_rate(sample_rate_hz)
    if not reference.shape[1]:
        raise SignalError("reference and candidate have no frames; at least one is needed")
    rate = sample_rate_hz
    delay = estimate_delay(reference, candidate, sample_rate_hz=rate)
    if not overwrite:
        candidate = candidate.copy()
        reference = reference.copy() if delay.frames else reference
    n_kept = reference.shape[1] - abs(delay.frames)
    reference = _kept(reference, max(-delay.frames, 0), n_kept)
    candidate = _kept(candidate, max(delay.frames, 0), n_kept)
    gain_db, unmatched = _match_gain(reference, candidate, rate)
    if gain_db is not None:
        candidate *= np.float32(from_db(gain_db))
    onsets = find_onsets(reference, rate)
    series = [short_term_lufs(samples, rate) for samples in (reference, candidate)]
    punch = measure_punch(reference, candidate, rate, onsets)
    spectrum = measure_spectrum_change(reference, candidate, rate)
    image = measure_image_change(reference, candidate, rate)
    # comes last: the measures above need the room that a fitted reference takes
    spare = overwrite or delay.frames != 0
    gain, fitted = _fitted(reference, candidate, rate, overwrite=spare)
    return PairMeasures(
        match_gain_db=gain_db,
        shift_frames=delay.frames,
        delay_ms=_delay_ms(delay, rate),
        n_frames=n_kept,
        gain=gain,
        residual=measure_residual(fitted, candidate, sample_rate_hz=rate),
        audibility=measure_audibility(
            fitted.samples, candidate, sample_rate_hz=rate, onsets_s=onsets.times_s.tolist()
        ),
        punch=punch,
        spectrum=spectrum,
        image=image,
        contrast=measure_contrast(*series),
        undefined=_reasons(unmatched, delay),
    )


def _reasons(unmatched: str | None, delay: Delay) -> dict[str, str]:
    reasons = {} if delay.sharp else {"delay_ms": NO_DELAY}
    return reasons if unmatched is None else {**reasons, "match_gain_db": unmatched}


def _kept(samples: Samples, first: int, n_frames: int) -> Samples:
    """Frames [first, first + n_frames) moved together within the array's own memory."""
    kept = samples.reshape(-1)[: len(samples) * n_frames].reshape(-1, n_frames)
    if kept.shape == samples.shape:
        return samples
    for row, channel in zip(kept, samples, strict=True):
        for part in chunks(n_frames, MOVED_FRAMES):  # upward: what is read lies ahead
            row[part] = channel[first + part.start : first + part.stop].copy()
    return kept


def _fitted(
    reference: Samples, candidate: Samples, sample_rate_hz: int, *, overwrite: bool
) -> tuple[ToneChange, FittedReference]:
    """What the static fit alone gains; the fitted reference, in the reference's memory if spare."""
    fit = fit_linear(reference, candidate, sample_rate_hz=sample_rate_hz)
    tone = apply_fit(fit, reference)
    gain = measure_tone_change(reference, tone, candidate, sample_rate_hz=sample_rate_hz)
    if overwrite:
        reference[...] = tone
        tone = reference
    return gain, follow_gains(fit, tone, candidate, sample_rate_hz=sample_rate_hz)


def _match_gain(
    reference: Samples, candidate: Samples, sample_rate_hz: int
) -> tuple[float | None, str | None]:
    """The gain, or why there is none."""
    energies = [loudness_energies(samples, sample_rate_hz) for samples in (reference, candidate)]
    gain_db = level_match_db(*energies)
    if gain_db is not None:
        return gain_db, None
    reasons = (loudness_from(side).undefined.get("integrated_lufs") for side in energies)
    told = zip(("reference", "candidate"), reasons, strict=True)
    what, reason = next((what, reason) for what, reason in told if reason)
    return None, f"the {what}: {reason}; compared at their own levels"


def _delay_ms(delay: Delay, sample_rate_hz: int) -> float | None:
    return 1000 * (delay.frames + delay.fraction) / sample_rate_hz if delay.sharp else None
