"""Sections: how far loud and quiet parts stand apart, and where the loudest part is."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.errors import SignalError
from chainweigh.measure.frames import loudest_spans
from chainweigh.measure.loudness import (
    ABSOLUTE_GATE_LUFS,
    LoudnessSeries,
    loudness_energies,
    loudness_of,
    power_at,
)

Floats = NDArray[np.float64]

SECTION_S = 10.0
DECILE = 0.1
GATED = "no short-term loudness above the absolute gate of -70 LUFS"


@dataclass(frozen=True)
class Contrast:
    """Short-term contrast before and after; a field that is None has its reason in `undefined`.

    Attributes
    ----------
    reference_contrast_lu, candidate_contrast_lu : loudest less quietest decile
    contrast_change_lu : candidate less reference; negative where sections drew together
    quiet_change_lu : change of the quietest decile of the reference, at the same moments; positive
        where a breakdown was lifted
    """

    reference_contrast_lu: float | None
    candidate_contrast_lu: float | None
    contrast_change_lu: float | None
    quiet_change_lu: float | None
    undefined: Mapping[str, str] = field(default_factory=dict)


def contrast_lu(short_term_lufs: Floats) -> float | None:
    """Loudest less quietest decile of short-term loudness, in LU; None where nothing is sounding.

    Parameters
    ----------
    short_term_lufs : shape (n_windows,); -inf marks silence

    Raises
    ------
    SignalError
        Values that are NaN or plus infinity, or no series.

    Notes
    -----
    A decile's loudness is that of the mean power of its windows: a tenth of those above -70 LUFS,
    at least one. Gain leaves the contrast as it is while it moves no window across that gate.
    """
    kept = np.sort(_sounding(short_term_lufs))
    if not kept.size:
        return None
    n = _decile(kept.size)
    return float(loudness_of(kept[-n:].mean()) - loudness_of(kept[:n].mean()))


def measure_contrast(reference: LoudnessSeries, candidate: LoudnessSeries) -> Contrast:
    """Short-term contrast of a reference and a candidate of equal loudness, in LU.

    Parameters
    ----------
    reference, candidate : short-term loudness at the same times

    Raises
    ------
    SignalError
        Series of different lengths; values as in `contrast_lu`.

    Notes
    -----
    Definitions as in `contrast_lu` (this project's own). The quietest decile's change follows the
    reference's windows, so that it shows what became of one passage.
    """
    if reference.loudness_lufs.shape != candidate.loudness_lufs.shape:
        raise SignalError(
            f"reference has {reference.loudness_lufs.size} short-term windows, candidate "
            f"{candidate.loudness_lufs.size}; both must have the same"
        )
    before, after = contrast_lu(reference.loudness_lufs), contrast_lu(candidate.loudness_lufs)
    quiet = _quiet_change_lu(reference.loudness_lufs, candidate.loudness_lufs)
    change = None if before is None or after is None else after - before
    values = {
        "reference_contrast_lu": before,
        "candidate_contrast_lu": after,
        "contrast_change_lu": change,
        "quiet_change_lu": quiet,
    }
    reasons = {name: GATED for name, value in values.items() if value is None}
    if quiet is None and before is not None:
        reasons["quiet_change_lu"] = "the candidate is silent where the reference is quietest"
    return Contrast(**values, undefined=reasons)


def loudest_section(
    samples: Samples, sample_rate_hz: int, *, section_s: float = SECTION_S
) -> tuple[float, float]:
    """Start and end in seconds of the stretch with the most K-weighted energy.

    Parameters
    ----------
    samples : shape (n_channels, n_frames)
    section_s : its length; a shorter signal is one section, to its last 10 ms hop

    Raises
    ------
    SignalError
        Samples or rate break the convention.

    Notes
    -----
    Starts move by 10 ms; of equal stretches the first counts, in silence the first of all.
    """
    energies = loudness_energies(samples, sample_rate_hz).hop_energies
    spans = loudest_spans(energies, n_spans=1, span_s=section_s)
    return spans[0] if spans else (0.0, 0.0)


def _sounding(short_term_lufs: Floats) -> Floats:
    """Powers of the windows above the absolute gate."""
    if short_term_lufs.ndim != 1 or np.isnan(short_term_lufs).any():
        raise SignalError("short-term loudness: a series without NaN is needed")
    if np.isposinf(short_term_lufs).any():
        raise SignalError("short-term loudness: a value is infinite")
    heard = short_term_lufs[short_term_lufs > ABSOLUTE_GATE_LUFS]
    return np.asarray(power_at(0.0) * 10.0 ** (heard / 10.0))


def _decile(n_windows: int) -> int:
    return max(round(DECILE * n_windows), 1)


def _quiet_change_lu(reference_lufs: Floats, candidate_lufs: Floats) -> float | None:
    heard = np.flatnonzero(reference_lufs > ABSOLUTE_GATE_LUFS)
    if not heard.size:
        return None
    order = np.argsort(reference_lufs[heard], kind="stable")
    quietest = heard[order[: _decile(heard.size)]]
    before, after = (
        np.mean(10.0 ** (x[quietest] / 10.0)) for x in (reference_lufs, candidate_lufs)
    )
    return float(10.0 * np.log10(after / before)) if after > 0 else None
