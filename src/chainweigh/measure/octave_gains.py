"""Octave-band gains that follow a candidate's slow movement, and how far they move.

Octaves from 63 Hz (with all below) to 16 kHz (with all above), cosine-shaped over one octave either
side of their centres and summing to one, on Hann frames at a quarter hop; a band's gain in a frame
is the least-squares gain over 200 ms.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels.octave_frames import OctaveFrames, add_shaped, octave_energies
from chainweigh.measure.frames import chunks, frame_length, hann, loudness_weight, piece

Floats = NDArray[np.float64]

GAIN_WINDOW_S = 0.2
LOWEST_OCTAVE_HZ = 63.0
N_OCTAVES = 9
LOUDNESS_EXPONENT = 0.3  # loudness grows as intensity to this power (Stevens)
BAND_SHARE = 1e-4  # bands with less of the energy tell nothing about gain
EXPLAINED_SHARE = 0.5
OWN_GAINS_EXPLAIN_DB = 0.5  # less than this, and the channels share their gains
NEGLIGIBLE = 1e-8  # of the candidate's energy


class BandEnergies:
    """Octave-band energies of one channel's frames, and the gains that follow."""

    def __init__(self, x: NDArray[np.float32], y: NDArray[np.float32], sample_rate_hz: int) -> None:
        frames = _octave_frames(sample_rate_hz)
        length = len(frames.window)
        sums = np.empty((3, _n_frames(x, length), len(frames.first_bin)))
        self.loudness_power = np.empty(sums.shape[1])
        both = (_parts_around(channel, length) for channel in (x, y))
        for (rows, part_x), (_, part_y) in zip(*both, strict=True):
            sums[:, rows], self.loudness_power[rows] = octave_energies(part_x, part_y, frames)
        self.reference, self.candidate, self.crossed = sums
        n = max(round(GAIN_WINDOW_S * sample_rate_hz / (length // 4)) // 2, 1)
        smoother = hann(2 * n)[1:].astype(np.float64)
        self.smooth_reference = _smoothed(self.reference, smoother)
        self.smooth_cross = np.maximum(_smoothed(self.crossed, smoother), 0)
        self.smooth_candidate = _smoothed(self.candidate, smoother)
        self.gains = _gains(self.smooth_reference, self.smooth_cross)

    def left(self, gains: Floats) -> Floats:
        """Energy that gains leave unexplained in each band."""
        left = self.candidate - 2 * gains * self.crossed + gains**2 * self.reference
        return np.asarray(left.sum(axis=0))


def _gains(reference: Floats, crossed: Floats) -> Floats:
    """Least-squares gains; where the reference is silent they rest at one."""
    rest = 1e-9 * reference.mean() + 1e-12
    return np.asarray((crossed + rest) / (reference + rest))


def share_gains(energies: list[BandEnergies]) -> None:
    """In place: one gain for all channels in each band where their own explain no more.

    Gains that differ by a trifle carry what lies in the middle to the sides, where nothing hides
    it: a snare under panned hats, through a compressor that treats both sides alike.
    """
    reference = np.sum([e.smooth_reference for e in energies], axis=0)
    common = _gains(reference, np.sum([e.smooth_cross for e in energies], axis=0))
    left_by_common = np.sum([e.left(common) for e in energies], axis=0)
    left_by_own = np.sum([e.left(e.gains) for e in energies], axis=0)
    negligible = NEGLIGIBLE * np.sum([e.candidate for e in energies], axis=(0, 1))
    more = 10 ** (OWN_GAINS_EXPLAIN_DB / 10)
    alike = left_by_common <= more * left_by_own + negligible
    for channel in energies:
        channel.gains[:, alike] = common[:, alike]


@dataclass(frozen=True)
class Movement:
    """How far gains spread, 5th to 95th percentile in dB, and the frame where the lower is met."""

    spread_db: float
    low_frame: int


def widest_movement(energies: list[BandEnergies], active: NDArray[np.bool_]) -> Movement | None:
    """The widest spread over bands and channels that tell of it."""
    total = sum(float(e.reference.sum()) for e in energies)
    widest: Movement | None = None
    for channel in energies:
        for band in range(channel.gains.shape[1]):
            reference = channel.smooth_reference[:, band]
            if channel.reference[:, band].sum() <= BAND_SHARE * total:
                continue
            explained = channel.smooth_cross[:, band] ** 2 > (
                EXPLAINED_SHARE * reference * channel.smooth_candidate[:, band]
            )
            counted = active & explained
            if not counted.any():
                continue
            gains_db = 20 * np.log10(channel.gains[counted, band])
            if widest is not None and np.ptp(gains_db) <= widest.spread_db:
                continue
            low, high = _percentiles(gains_db, reference[counted] ** LOUDNESS_EXPONENT, (5, 95))
            spread_db = float(gains_db[high] - gains_db[low])
            if widest is None or spread_db > widest.spread_db:
                widest = Movement(spread_db, int(np.flatnonzero(counted)[low]))
    return widest


def frame_centre_s(frame: int, sample_rate_hz: int) -> float:
    """Middle of a frame, in seconds of the signal; the first frames lie before it."""
    length = frame_length(sample_rate_hz)
    return (frame * (length // 4) - length // 2) / sample_rate_hz


def _percentiles(values: Floats, weights: Floats, pct: tuple[float, ...]) -> list[int]:
    """Which value each percentile is."""
    order = np.argsort(values, kind="stable")
    share = np.cumsum(weights[order])
    places = np.searchsorted(share, np.asarray(pct) / 100 * share[-1])
    return [int(order[min(place, len(order) - 1)]) for place in places]


def apply_gains(x: NDArray[np.float32], gains: Floats, sample_rate_hz: int) -> None:
    """In place: octave-band gains applied to one channel frame by frame, overlapped and added.

    What has been read for the last time is written over: a chunk of frames completes the hops
    before the first frame of the next.
    """
    frames = _octave_frames(sample_rate_hz)
    length, hop = len(frames.window), frames.hop
    begun = np.zeros(length - hop, dtype=np.float32)
    for rows, part in _parts_around(x, length):
        added = np.zeros(len(part), dtype=np.float32)
        added[: len(begun)] = begun
        add_shaped(part, gains[rows].astype(np.float32), frames, added)
        start, n = rows.start * hop - length, (rows.stop - rows.start) * hop
        done, begun = added[max(-start, 0) : n], added[n:].copy()
        room = x[max(start, 0) : max(start + n, 0)]
        room[:] = done[: len(room)]


def _parts_around(
    x: NDArray[np.float32], length: int
) -> Iterator[tuple[slice, NDArray[np.float32]]]:
    """Samples of some frames at once, at a quarter hop, the first all before x and the last behind.

    Every sample of x lies in four frames.
    """
    hop = length // 4
    for rows in chunks(_n_frames(x, length)):
        start, stop = rows.start * hop - length, (rows.stop - 1) * hop
        is_inside = start >= 0 and stop <= len(x)
        yield rows, x[start:stop] if is_inside else piece(x, start, stop - start)


def _n_frames(x: NDArray[np.float32], length: int) -> int:
    return (len(x) + 2 * length) // (length // 4) + 1


@lru_cache(maxsize=8)
def _octave_frames(sample_rate_hz: int) -> OctaveFrames:
    """Hann frames at a quarter hop; the weights of all bands sum to one in each bin."""
    length = frame_length(sample_rate_hz)
    frequency_hz = np.arange(length // 2 + 1) * sample_rate_hz / length
    octave = np.log2(np.maximum(frequency_hz, 1.0) / LOWEST_OCTAVE_HZ)
    top = min(N_OCTAVES - 1, int(np.floor(octave[-1] - 0.5)))
    octave = np.clip(octave, 0, top)
    shares, firsts = [], []
    for index in range(top + 1):
        weight = np.cos(np.pi / 2 * np.clip(np.abs(octave - index), 0, 1)) ** 2
        bins = np.flatnonzero(weight > 1e-12)
        firsts.append(bins[0])
        shares.append(weight[bins[0] : bins[-1] + 1])
    return OctaveFrames(
        window=hann(length),
        hop=length // 4,
        loudness=loudness_weight(sample_rate_hz, length),
        first_bin=np.array(firsts, dtype=np.int32),
        n_band_bins=np.array([len(share) for share in shares], dtype=np.int32),
        share=np.concatenate(shares).astype(np.float32),
    )


def _smoothed(series: Floats, window: Floats) -> Floats:
    """Columns smoothed over time by an odd window, zero beyond the ends."""
    n = len(window) // 2
    wide = np.pad(series, ((n, n), (0, 0)))
    total = np.zeros(series.shape)
    for k, weight in enumerate(window):
        total += weight * wide[k : k + len(series)]
    return total
