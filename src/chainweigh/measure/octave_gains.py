"""Octave-band gains that follow a candidate's slow movement, and how far they move.

Octaves from 63 Hz (with all below) to 16 kHz (with all above), cosine-shaped over one octave either
side of their centres and summing to one, on Hann frames at a quarter hop; a band's gain in a frame
is the least-squares gain over 200 ms.
"""

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels.audibility import weighted_products
from chainweigh.measure.frames import CHUNK, frame_length, hann, loudness_weight, padded_frames

Floats = NDArray[np.float64]

GAIN_WINDOW_S = 0.2
LOWEST_OCTAVE_HZ = 63.0
N_OCTAVES = 9
LOUDNESS_EXPONENT = 0.3  # loudness grows as intensity to this power (Stevens)
BAND_SHARE = 1e-4  # bands with less of the energy tell nothing about gain
EXPLAINED_SHARE = 0.5
OWN_GAINS_EXPLAIN_DB = 0.5  # less than this, and the channels share their gains
NEGLIGIBLE = 1e-8  # of the candidate's energy
FRAMES_AT_ONCE = 128


class BandEnergies:
    """Octave-band energies of one channel's frames, and the gains that follow."""

    def __init__(self, x: NDArray[np.float32], y: NDArray[np.float32], sample_rate_hz: int) -> None:
        from scipy.fft import rfft

        length = frame_length(sample_rate_hz)
        bands, window = _octave_bands(sample_rate_hz), hann(length)
        shape = (_n_frames(x, length), len(bands))
        self.reference, self.candidate, self.crossed = (np.empty(shape) for _ in range(3))
        self.loudness_power = np.empty(shape[0])
        both = (_frames_around(channel, length, FRAMES_AT_ONCE) for channel in (x, y))
        for (rows, frames_x), (_, frames_y) in zip(*both, strict=True):
            spectrum_x, spectrum_y = rfft(frames_x * window), rfft(frames_y * window)
            loud = loudness_weight(sample_rate_hz, length)
            self.loudness_power[rows] = weighted_products(spectrum_y, spectrum_y, loud)
            sums = (
                (self.reference, spectrum_x, spectrum_x),
                (self.candidate, spectrum_y, spectrum_y),
                (self.crossed, spectrum_x, spectrum_y),
            )
            for index, (first, weight) in enumerate(bands):
                for out, a, b in sums:
                    out[rows, index] = weighted_products(a, b, weight, first_bin=first)
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


def widest_movement_db(energies: list[BandEnergies], active: NDArray[np.bool_]) -> float | None:
    """Widest spread of gains, 5th to 95th percentile, over bands and channels that tell of it."""
    total = sum(float(e.reference.sum()) for e in energies)
    worst: float | None = None
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
            low, high = _percentiles(gains_db, reference[counted] ** LOUDNESS_EXPONENT, (5, 95))
            worst = max(high - low, worst or 0.0)
    return worst


def _percentiles(values: Floats, weights: Floats, pct: tuple[float, ...]) -> list[float]:
    order = np.argsort(values, kind="stable")
    share = np.cumsum(weights[order])
    places = np.searchsorted(share, np.asarray(pct) / 100 * share[-1])
    return [float(values[order[min(place, len(order) - 1)]]) for place in places]


def apply_gains(x: NDArray[np.float32], gains: Floats, sample_rate_hz: int) -> None:
    """In place: octave-band gains applied to one channel frame by frame, overlapped and added.

    What has been read for the last time is written over: a chunk of frames completes the hops
    before the first frame of the next.
    """
    length = frame_length(sample_rate_hz)
    hop = length // 4
    begun = np.zeros((3, hop), dtype=np.float32)
    for rows, frames in _frames_around(x, length, CHUNK):
        shaped = _shaped(frames, gains[rows].astype(np.float32), sample_rate_hz)
        hops = np.concatenate([begun, np.zeros((len(frames), hop), dtype=np.float32)])
        for quarter in range(4):
            hops[quarter : quarter + len(frames)] += shaped[:, quarter * hop : (quarter + 1) * hop]
        begun = hops[len(frames) :].copy()
        start = rows.start * hop - length
        done = hops[: len(frames)].reshape(-1)[max(-start, 0) :]
        room = x[max(start, 0) : max(rows.stop * hop - length, 0)]
        room[:] = done[: len(room)]


def _shaped(
    frames: NDArray[np.float32], gains: NDArray[np.float32], sample_rate_hz: int
) -> NDArray[np.float32]:
    """Frames under the window with their gains applied, under the window again."""
    from scipy.fft import irfft, rfft

    length = frames.shape[1]
    window = hann(length)
    curve = np.zeros((len(frames), length // 2 + 1), dtype=np.float32)
    for index, (first, weight) in enumerate(_octave_bands(sample_rate_hz)):
        curve[:, first : first + len(weight)] += gains[:, index, None] * weight
    spectrum = rfft(frames * window)
    spectrum *= curve
    shaped = irfft(spectrum, length, overwrite_x=True)
    shaped *= (window / 1.5).astype(np.float32)  # squared Hann at a quarter hop sums to 1.5
    return np.asarray(shaped)


def _frames_around(
    x: NDArray[np.float32], length: int, size: int
) -> Iterator[tuple[slice, NDArray[np.float32]]]:
    """Frames at a quarter hop that cover every sample four times, the first all before x."""
    n_frames = _n_frames(x, length)
    return padded_frames(x, length, length // 4, lead=length, n_frames=n_frames, size=size)


def _n_frames(x: NDArray[np.float32], length: int) -> int:
    return (len(x) + 2 * length) // (length // 4) + 1


@lru_cache(maxsize=8)
def _octave_bands(sample_rate_hz: int) -> list[tuple[int, NDArray[np.float32]]]:
    """First bin and weights of each octave band; the weights of all bands sum to one."""
    length = frame_length(sample_rate_hz)
    frequency_hz = np.arange(length // 2 + 1) * sample_rate_hz / length
    octave = np.log2(np.maximum(frequency_hz, 1.0) / LOWEST_OCTAVE_HZ)
    top = min(N_OCTAVES - 1, int(np.floor(octave[-1] - 0.5)))
    octave = np.clip(octave, 0, top)
    bands = []
    for index in range(top + 1):
        weight = np.cos(np.pi / 2 * np.clip(np.abs(octave - index), 0, 1)) ** 2
        bins = np.flatnonzero(weight > 1e-12)
        part = weight[bins[0] : bins[-1] + 1]
        bands.append((int(bins[0]), np.ascontiguousarray(part, dtype=np.float32)))
    return bands


def _smoothed(series: Floats, window: Floats) -> Floats:
    """Columns smoothed over time by an odd window, zero beyond the ends."""
    n = len(window) // 2
    wide = np.pad(series, ((n, n), (0, 0)))
    total = np.zeros(series.shape)
    for k, weight in enumerate(window):
        total += weight * wide[k : k + len(series)]
    return total
