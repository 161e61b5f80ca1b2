"""Which part of a gain in loudness is only tone.

A low cut takes peaks away with the bass and lets the rest be turned up, but what it changed is the
sound, not how densely it is packed. The reference through the best static linear fit has the
candidate's tone and none of its dynamics: what that fit alone does to the peak-to-loudness ratio
is tone, the rest is gain.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from chainweigh.audio.array import Samples, check_pair, check_rate, check_samples
from chainweigh.measure.levels import plr_db
from chainweigh.measure.loudness import loudness_energies, loudness_from
from chainweigh.measure.true_peak import true_peak_dbtp

SILENT = "digital silence"


@dataclass(frozen=True)
class ToneChange:
    """A candidate's gain in loudness at equal true peak, and the part of it that is tone.

    Attributes
    ----------
    loudness_gain_lu : PLR(reference) - PLR(candidate)
    tone_gain_lu : PLR(reference) - PLR(reference through the static fit)
    loudness_gain_less_tone_lu : the difference of the two
    undefined : field name -> reason
    """

    loudness_gain_lu: float | None
    tone_gain_lu: float | None
    loudness_gain_less_tone_lu: float | None
    undefined: Mapping[str, str] = field(default_factory=dict)


def measure_tone_change(
    reference: Samples, tone: Samples, candidate: Samples, *, sample_rate_hz: int
) -> ToneChange:
    """Loudness gained at equal true peak in LU, and what the tone alone gained.

    Parameters
    ----------
    reference, candidate : float32, shape (n_channels, n_frames), the same for both
    tone : the reference passed through the static fit by `apply_fit`
    sample_rate_hz : 8000 to 384000, whole

    Raises
    ------
    SignalError
        Shapes that differ, samples that are not finite, a rate out of range.

    Notes
    -----
    A gain in front of any of the three changes nothing. Undefined where one of the two PLRs is:
    in silence, below the absolute gate, in less than 400 ms. True peaks are the precise ones.

    Where every hit is the same to the sample, a long fit can learn the shape of the clipped hit,
    and part of a clip is then called tone: a lone repeated kick clipped by 6 dB read 3 of its 5 LU
    as tone, the mix it belongs to 0.9 of 5.
    """
    for what, samples in (("reference", reference), ("tone", tone), ("candidate", candidate)):
        check_samples(samples, what=what)
        check_pair(reference, samples)
    check_rate(sample_rate_hz)
    dry, reason_dry = _plr_db(reference, sample_rate_hz, "the reference")
    fitted, reason_fitted = _plr_db(tone, sample_rate_hz, "the reference through the static fit")
    wet, reason_wet = _plr_db(candidate, sample_rate_hz, "the candidate")
    reasons = {
        "loudness_gain_lu": reason_dry or reason_wet,
        "tone_gain_lu": reason_dry or reason_fitted,
        "loudness_gain_less_tone_lu": reason_fitted or reason_wet,
    }
    return ToneChange(
        _difference(dry, wet),
        _difference(dry, fitted),
        _difference(fitted, wet),
        {name: reason for name, reason in reasons.items() if reason},
    )


def _plr_db(samples: Samples, sample_rate_hz: int, what: str) -> tuple[float | None, str | None]:
    """Peak-to-loudness ratio, or why there is none."""
    loudness = loudness_from(loudness_energies(samples, sample_rate_hz))
    plr = plr_db(true_peak_dbtp(samples, sample_rate_hz), loudness.integrated_lufs)
    if plr is not None:
        return plr, None
    return None, f"{what}: {loudness.undefined.get('integrated_lufs', SILENT)}"


def _difference(before: float | None, after: float | None) -> float | None:
    return None if before is None or after is None else before - after
