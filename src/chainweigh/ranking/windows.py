"""The loudest windows: of the song, where every candidate is judged, or of one programme."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.measure.frames import Span, loudest_spans
from chainweigh.measure.loudness import LoudnessEnergies, loudness_energies


@dataclass(frozen=True)
class Windows:
    """Up to three stretches of 10 s that do not overlap, in order of time, set end to end."""

    spans: tuple[Span, ...]
    sample_rate_hz: int

    def cut(self, samples: Samples) -> Samples:
        """The windows of a signal as long as the song, joined; shape (n_channels, n_frames)."""
        parts = [samples[:, start:stop] for start, stop in self.frames(samples.shape[1])]
        return np.ascontiguousarray(np.concatenate(parts, axis=1))

    def stacked(self, samples: Samples) -> Samples:
        """The windows of a signal side by side, as channels of their own; all as long."""
        parts = [samples[:, start:stop] for start, stop in self.frames(samples.shape[1])]
        n_frames = min(part.shape[1] for part in parts)
        return np.concatenate([part[:, :n_frames] for part in parts])

    def frames(self, n_frames: int) -> list[tuple[int, int]]:
        """First and last frame, exclusive, of each window in a song of so many frames."""
        rate = self.sample_rate_hz
        return [(round(a * rate), min(round(b * rate), n_frames)) for a, b in self.spans]

    def whole_song(self, n_frames: int) -> "Windows":
        """One window over all of a song of so many frames."""
        return Windows(((0.0, n_frames / self.sample_rate_hz),), self.sample_rate_hz)

    @property
    def joined_spans(self) -> tuple[Span, ...]:
        """Where each window lies in the joined signal, in seconds."""
        rate = self.sample_rate_hz
        lengths = [round(stop * rate) - round(start * rate) for start, stop in self.spans]
        ends = [0, *accumulate(lengths)]
        return tuple((a / rate, b / rate) for a, b in pairwise(ends))

    def joined_times_s(self, times_s: Sequence[float]) -> list[float]:
        """Song times that fall into a window, as times of the joined signal."""
        return [
            float(time - start + offset)
            for (start, stop), (offset, _) in zip(self.spans, self.joined_spans, strict=True)
            for time in times_s
            if start <= time < stop
        ]

    def song_times_s(self, times_s: Sequence[float]) -> tuple[float, ...]:
        """Times of the joined signal as times of the song, rounded to 10 ms."""
        found = []
        for time in times_s:
            for (start, _), (offset, end) in zip(self.spans, self.joined_spans, strict=True):
                if offset <= time < end:
                    found.append(round(start + time - offset, 2))
        return tuple(found)


def loudest_windows(
    samples: Samples, sample_rate_hz: int, energies: LoudnessEnergies | None = None
) -> Windows:
    """A programme's three loudest windows, K-weighted; the whole of one shorter than a window.

    `energies` are of these samples, where they are at hand.
    """
    energies = energies or loudness_energies(samples, sample_rate_hz)
    spans = loudest_spans(energies.hop_energies)
    whole = samples.shape[1] / sample_rate_hz
    return Windows(tuple(sorted(spans)) or ((0.0, whole),), sample_rate_hz)
