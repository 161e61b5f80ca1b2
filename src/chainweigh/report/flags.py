"""What a candidate changes beside loudness and distortion, where it is too much to pass over."""

from collections.abc import Iterator

from chainweigh.ranking.results import Candidate
from chainweigh.report.formats import plain, signed
from chainweigh.report.measure_rows import nominal_hz


def flags(candidate: Candidate) -> tuple[str, ...]:
    """Each change beyond its limit as a sentence: low third octaves, fold-down to mono."""
    return tuple(_flags(candidate))


def _flags(candidate: Candidate) -> Iterator[str]:
    spectrum, image = candidate.spectrum, candidate.image
    if spectrum is not None and spectrum.flagged_hz:
        changes = dict(zip(spectrum.centres_hz, spectrum.change_db, strict=False))
        told = [
            f"{signed(change, 1)} dB at {nominal_hz(hz)} Hz"
            for hz in spectrum.flagged_hz
            if (change := changes.get(hz)) is not None
        ]
        yield f"Changes the low end: {', '.join(told)}."
    if image is not None and image.fold_down_flagged:
        lost = plain(image.fold_down_loss_change_lu or 0.0, 1)
        yield f"Loses {lost} LU more than the reference when folded down to mono."
