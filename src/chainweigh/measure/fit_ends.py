"""What a filter leaves at both ends of an excerpt, where it sees past them.

Errors are rows of 2 w frames: the heads of all channels, frames [-w, w), then their tails, frames
[n - w, n + w); w is the filter's reach and a margin.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.measure.correlation import Spectra, energy
from chainweigh.measure.frames import piece

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class ReferenceEnds:
    """Transforms of the first and last 2 w frames of every channel."""

    spectra: Spectra
    size: int
    reach: int
    margin: int

    @classmethod
    def of(cls, reference: Samples, reach: int, margin: int) -> "ReferenceEnds":
        """For filters that reach so many frames ahead or behind."""
        from scipy.fft import next_fast_len, rfft

        w = reach + margin
        size = next_fast_len(4 * w, real=True)
        return cls(np.asarray(rfft(_ends(reference, 2 * w), size)), size, reach, margin)


class EndErrors:
    """Candidate minus filtered reference at the ends, for filters whose first lag is given."""

    def __init__(self, reference: ReferenceEnds, candidate: Samples, first: int) -> None:
        self.reference, self.n_channels = reference, len(candidate)
        self.w = reference.reach + reference.margin
        self.first_at = self.w + first  # where in a row a lag of `first` lies
        self.candidate = _ends(candidate, self.w)

    def left(self, taps: Floats) -> Floats:
        """Errors of a filter at both ends."""
        from scipy.fft import irfft, rfft

        n, w, size = self.n_channels, self.w, self.reference.size
        response = np.zeros(size)
        response[self.first_at : self.first_at + len(taps)] = -taps
        filtered = irfft(self.reference.spectra * rfft(response), size)
        errors = np.concatenate([filtered[:n, : 2 * w], filtered[n:, 2 * w : 4 * w]])
        errors[:n, w:] += self.candidate[:n]
        errors[n:, :w] += self.candidate[n:]
        return errors

    def seen_by_taps(self, errors: Floats, n_taps: int) -> Floats:
        """Cross-correlation of the reference with outer errors, at the taps' lags."""
        from scipy.fft import irfft, rfft

        heads, tails = self._outer(errors)
        n, w, outer = self.n_channels, self.w, np.zeros((len(errors), self.reference.size))
        outer[:n, : heads.shape[1]] = heads
        outer[n:, 4 * w - tails.shape[1] : 4 * w] = tails
        crossed = np.einsum("rk,rk->k", np.conj(self.reference.spectra), rfft(outer))
        lags = irfft(crossed, self.reference.size)
        return np.asarray(lags[self.first_at : self.first_at + n_taps])

    def outer_energy(self, errors: Floats) -> float:
        """Energy of what sees past an end."""
        heads, tails = self._outer(errors)
        return energy(heads) + energy(tails)

    def whitened_energy(self, errors: Floats, whitener: Floats) -> float:
        """The same of whitened errors.

        Heads are longer by the margin, tails too: the whitener clicks where its input is cut off,
        and rings on behind it.
        """
        from scipy.fft import irfft, next_fast_len, rfft

        n, n_frames = self.n_channels, errors.shape[1]
        longer = n_frames + len(whitener) - 1
        size = next_fast_len(longer, real=True)
        whitened = irfft(rfft(errors, size) * rfft(whitener, size), size)
        heads, tails = whitened[:n, :n_frames], whitened[n:, self.reference.margin : longer]
        return energy(heads) + energy(tails)

    def _outer(self, errors: Floats) -> tuple[Floats, Floats]:
        """Heads and tails without the margins on their inner sides."""
        n, margin = self.n_channels, self.reference.margin
        return errors[:n, : errors.shape[1] - margin], errors[n:, margin:]


def _ends(signal: Samples, n_frames: int) -> Floats:
    """First frames of every channel, then the last."""
    starts = (0, signal.shape[1] - n_frames)
    ends = [piece(channel, at, n_frames) for at in starts for channel in signal]
    return np.array(ends, dtype=np.float64)
