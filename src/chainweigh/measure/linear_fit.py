"""One static FIR, and a signal passed through it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_layout, check_samples
from chainweigh.measure.frames import piece

Floats = NDArray[np.float64]

BLOCKS_AT_ONCE = 16  # of a filter's transforms


@dataclass(frozen=True)
class LinearFit:
    """One FIR for the whole song: candidate(n) ~ sum over k of taps[k] reference(n - first - k).

    Attributes
    ----------
    taps : float64, shape (n_taps,)
    first_lag_frames : delay of the first tap; negative where the filter looks ahead
    residual_db : energy the fit leaves unexplained re the candidate's, None when undefined
    undefined : field name -> reason
    """

    taps: Floats
    first_lag_frames: int
    residual_db: float | None
    undefined: Mapping[str, str] = field(default_factory=dict)

    @property
    def n_taps(self) -> int:
        """Length of the filter."""
        return len(self.taps)


def apply_fit(
    fit: LinearFit, reference: Samples, *, spans: Sequence[tuple[int, int]] | None = None
) -> Samples:
    """Reference passed through the fit, what lies outside the signal taken as zero.

    Parameters
    ----------
    spans : first and last frame, exclusive, of what to compute, joined; all unless told otherwise

    Raises
    ------
    SignalError
        As `check_samples` does; of values only those that the frames asked for depend on count.
    """
    check_layout(reference, what="reference")
    spans = [(0, reference.shape[1])] if spans is None else spans
    ends = list(accumulate(stop - start for start, stop in spans))
    out = np.empty((len(reference), ends[-1]), dtype=np.float32)
    apply = _apply_gain if fit.n_taps == 1 else _apply_taps
    for channel, into in zip(reference, out, strict=True):
        for (start, stop), end in zip(spans, ends, strict=True):
            apply(fit, channel, start, into[end - (stop - start) : end])
    check_samples(out, what="reference passed through its fit")
    return out


def _apply_gain(
    fit: LinearFit, channel: NDArray[np.float32], start: int, out: NDArray[np.float32]
) -> None:
    at = start - fit.first_lag_frames
    first, last = np.clip([-at, len(channel) - at], 0, len(out))
    out[:first] = out[last:] = 0
    inside, gain = channel[at + first : at + last], fit.taps[0]
    np.multiply(inside, gain, out=out[first:last], dtype=np.float64, casting="same_kind")


def _apply_taps(
    fit: LinearFit, channel: NDArray[np.float32], start: int, out: NDArray[np.float32]
) -> None:
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(max(4 * fit.n_taps, 16384), real=True)
    step = size - fit.n_taps + 1
    n_blocks = -(-len(out) // step)
    # the block that yields frames [s, s + step) reads the reference from s - first - n_taps + 1
    lead = fit.first_lag_frames + fit.n_taps - 1
    response = rfft(fit.taps, size)
    for block in range(0, n_blocks, BLOCKS_AT_ONCE):
        firsts = start - lead + step * np.arange(block, min(block + BLOCKS_AT_ONCE, n_blocks))
        pieces = np.stack([piece(channel, first, size) for first in firsts])
        spectra = rfft(pieces.astype(np.float64))
        valid = irfft(spectra * response, size)[:, fit.n_taps - 1 :]
        room = out[block * step : block * step + valid.size]
        room[:] = valid.reshape(-1)[: len(room)]
