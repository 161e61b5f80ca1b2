"""The array convention every package shares.

Conventions
-----------
Audio is planar: shape (n_channels, n_frames), float32, C-contiguous, full scale = +-1.0, and goes
with its sample_rate_hz. Sums and energies accumulate in float64.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.errors import SignalError
from chainweigh.kernels.finite import first_not_finite

Samples = NDArray[np.float32]


@dataclass(frozen=True)
class Audio:
    """Samples, shape (n_channels, n_frames), with the rate they were taken at."""

    samples: Samples
    sample_rate_hz: int

    @property
    def n_frames(self) -> int:
        """Length in frames."""
        return int(self.samples.shape[1])


def check_samples(samples: Samples, *, what: str = "samples", max_channels: int = 2) -> None:
    """Refuse an array that breaks the convention or holds NaN or Inf.

    Raises
    ------
    SignalError
        Wrong type, shape, layout or number of channels; a sample that is not finite.
    """
    check_layout(samples, what=what, max_channels=max_channels)
    for channel, signal in enumerate(samples):
        frame = first_not_finite(signal)
        if frame is not None:
            raise SignalError(f"{what}: sample {frame} of channel {channel} is NaN or Inf")


def check_layout(samples: Samples, *, what: str = "samples", max_channels: int = 2) -> None:
    """Refuse an array that breaks the convention, without a look at its values.

    For callers that see from what they compute whether all samples are finite.

    Raises
    ------
    SignalError
        Wrong type, shape, layout or number of channels.
    """
    if not isinstance(samples, np.ndarray) or samples.dtype != np.float32:
        kind = getattr(samples, "dtype", type(samples).__name__)
        raise SignalError(f"{what}: type is {kind}; a float32 array is needed")
    if samples.ndim != 2:
        raise SignalError(f"{what}: shape is {samples.shape}; (n_channels, n_frames) is needed")
    if not 1 <= samples.shape[0] <= max_channels:
        raise SignalError(
            f"{what}: {samples.shape[0]} channels in shape {samples.shape}; "
            f"1 to {max_channels} are allowed, channels come first"
        )
    if not samples.flags.c_contiguous:
        raise SignalError(f"{what}: not C-contiguous; use numpy.ascontiguousarray")


def is_mono(samples: Samples) -> bool:
    """Two channels alike, or pairs of them."""
    return len(samples) % 2 == 0 and np.array_equal(samples[::2], samples[1::2])


def check_rate(sample_rate_hz: float) -> None:
    """Refuse a rate outside 8 kHz to 384 kHz.

    Raises
    ------
    SignalError
        With a hint where the value looks like kHz.
    """
    if 8_000 <= sample_rate_hz <= 384_000:
        return
    hint = "; was kHz meant?" if 8 <= sample_rate_hz <= 384 else ""
    raise SignalError(f"sample rate {sample_rate_hz} Hz; 8000 to 384000 Hz is allowed{hint}")


def check_pair(reference: Samples, candidate: Samples) -> None:
    """Refuse a reference and a candidate that differ in shape.

    Raises
    ------
    SignalError
        Naming both shapes.
    """
    if reference.shape != candidate.shape:
        raise SignalError(
            f"reference has shape {reference.shape}, candidate {candidate.shape}; "
            "both must have the same channels and frames"
        )


def padded(samples: Samples, n_frames: int) -> Samples:
    """Samples with zeros appended up to n_frames; the same array when it is that long already."""
    missing = n_frames - samples.shape[1]
    if missing < 0:
        raise SignalError(f"{samples.shape[1]} frames do not fit into {n_frames}")
    return samples if missing == 0 else np.pad(samples, ((0, 0), (0, missing)))


def shifted(samples: Samples, shift_frames: int, n_frames: int) -> Samples:
    """Samples moved earlier (negative: later), cut or filled with zeros to n_frames."""
    kept = samples[:, max(shift_frames, 0) : max(shift_frames + n_frames, 0)]
    lead = min(max(-shift_frames, 0), n_frames)
    missing = n_frames - lead - kept.shape[1]
    if not lead and not missing:
        return np.ascontiguousarray(kept)
    return np.pad(kept, ((0, 0), (lead, missing)))


def to_db(ratio: float) -> float:
    """Amplitude ratio in dB; minus infinity at zero."""
    return 20.0 * float(np.log10(ratio)) if ratio > 0 else float("-inf")


def from_db(level_db: float) -> float:
    """Amplitude ratio of a level in dB."""
    return float(10.0 ** (level_db / 20.0))
