"""Stereo image: correlation, side against middle, and what is lost when folded down to mono.

Conventions
-----------
Middle is (left + right) / 2, side is (left - right) / 2. Folded down means the middle on both
loudspeakers. A mono signal has no image: every field is undefined.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from chainweigh.audio.array import Samples, check_pair, check_rate, check_samples
from chainweigh.measure.loudness import loudness_energies, measure_loudness

FLAG_LU = 1.0

FIELDS = ("correlation", "side_to_middle_db", "fold_down_loss_lu")
MONO = "one channel has no image"
SILENT = "the signal is silent"
ONE_SIDED = "one side is silent"
NO_SIDE = "no side signal: both channels are equal"
NO_MIDDLE = "no middle signal: the channels cancel"
FOLDED_SILENT = "too quiet to be gated when folded down"


@dataclass(frozen=True)
class Image:
    """Stereo image of a signal; a field that is None has its reason in `undefined`.

    Attributes
    ----------
    correlation : -1 (opposite) to 1 (equal) over the whole signal
    side_to_middle_db : energy of the side re the middle's
    fold_down_loss_lu : integrated loudness less that of the fold-down; 0 for equal channels
    """

    correlation: float | None
    side_to_middle_db: float | None
    fold_down_loss_lu: float | None
    undefined: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class ImageChange:
    """Candidate less reference; a field that is None has its reason in `undefined`.

    Attributes
    ----------
    reference, candidate : the images themselves
    fold_down_flagged : the fold-down loses over 1 LU more than it did
    """

    reference: Image
    candidate: Image
    correlation_change: float | None
    side_to_middle_change_db: float | None
    fold_down_loss_change_lu: float | None
    fold_down_flagged: bool
    undefined: Mapping[str, str] = field(default_factory=dict)


def measure_image(samples: Samples, sample_rate_hz: int) -> Image:
    """Correlation, side-to-middle ratio in dB and fold-down loss in LU.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), float32; 1 or 2 channels
    sample_rate_hz : int

    Raises
    ------
    SignalError
        Samples or rate break the convention.

    Notes
    -----
    Correlation is sum(LR) / sqrt(sum(LL) sum(RR)), the mean not removed, as correlation meters show
    it (common practice, no source). Silence, one channel, one silent side, equal and opposite
    channels leave fields undefined. Sums in float64; about 30 ms for 30 s.
    """
    check_samples(samples)
    check_rate(sample_rate_hz)
    if len(samples) == 1:
        return Image(None, None, None, dict.fromkeys(FIELDS, MONO))
    if not samples.any():
        return Image(None, None, None, dict.fromkeys(FIELDS, SILENT))
    left, right = samples
    correlation = _correlation(_dot(left, right), _dot(left, left), _dot(right, right))
    side = np.subtract(left, right)
    side *= np.float32(0.5)
    side_energy = _dot(side, side)
    middle = np.add(left, right, out=side)[np.newaxis]
    middle *= np.float32(0.5)
    ratio = _ratio_db(side_energy, _dot(middle[0], middle[0]))
    loss = _fold_down_loss_lu(samples, middle, sample_rate_hz)
    values = dict(zip(FIELDS, (correlation, ratio, loss), strict=True))
    return Image(
        **{name: None if isinstance(v, str) else v for name, v in values.items()},
        undefined={name: v for name, v in values.items() if isinstance(v, str)},
    )


def measure_image_change(
    reference: Samples, candidate: Samples, sample_rate_hz: int
) -> ImageChange:
    """What a candidate changed of the stereo image, candidate less reference.

    Parameters
    ----------
    reference, candidate : shape (n_channels, n_frames)

    Raises
    ------
    SignalError
        Arrays or rate break the convention; shapes differ.
    """
    check_pair(reference, candidate)
    return compare_images(
        measure_image(reference, sample_rate_hz), measure_image(candidate, sample_rate_hz)
    )


def compare_images(reference: Image, candidate: Image) -> ImageChange:
    """Change of each figure from images at hand; definitions as in `measure_image`."""
    changes: dict[str, float | None] = {}
    undefined: dict[str, str] = {}
    names = ("correlation_change", "side_to_middle_change_db", "fold_down_loss_change_lu")
    for name, source in zip(names, FIELDS, strict=True):
        before, after = getattr(reference, source), getattr(candidate, source)
        changes[name] = None if before is None or after is None else after - before
        if before is None:
            undefined[name] = f"reference: {reference.undefined[source]}"
        elif after is None:
            undefined[name] = f"candidate: {candidate.undefined[source]}"
    loss = changes["fold_down_loss_change_lu"]
    cancelled = candidate.undefined.get("fold_down_loss_lu") == FOLDED_SILENT
    newly = cancelled and reference.fold_down_loss_lu is not None
    return ImageChange(
        reference,
        candidate,
        **changes,
        fold_down_flagged=newly or (loss is not None and loss > FLAG_LU),
        undefined=undefined,
    )


def _dot(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.einsum("t,t->", a, b, dtype=np.float64))


def _correlation(both: float, left: float, right: float) -> float | str:
    if not left or not right:
        return ONE_SIDED
    return min(max(both / math.sqrt(left * right), -1.0), 1.0)


def _ratio_db(side: float, middle: float) -> float | str:
    if not side:
        return NO_SIDE
    return 10.0 * math.log10(side / middle) if middle else NO_MIDDLE


def _fold_down_loss_lu(samples: Samples, middle: Samples, sample_rate_hz: int) -> float | str:
    stereo = measure_loudness(samples, sample_rate_hz)
    if stereo.integrated_lufs is None:
        return stereo.undefined["integrated_lufs"]
    # Two loudspeakers play the middle: weight 2 on its one channel.
    energies = loudness_energies(middle, sample_rate_hz, channel_weights=[2.0])
    folded = energies.integrated_lufs()
    return FOLDED_SILENT if folded is None else stereo.integrated_lufs - folded
