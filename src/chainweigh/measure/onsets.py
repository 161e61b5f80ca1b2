"""Onsets: where hits, notes and chords begin.

Conventions
-----------
Frames of 23 ms follow at 9 ms. The level in dB of each third-octave band is compared with the
highest that the band and its neighbours had 17 ms before; the mean rise over bands is the novelty.
Its peaks are candidates, each moved to where the waveform's energy rises most steeply. A peak
counts if that energy tops all of the 35 ms before it, or if the novelty alone is beyond doubt. What
precedes the file is taken to sound like the median of its first 200 ms: a hit on the first sample
is found, a file that starts amid a sound has no onset there. Levels are relative to the loudest
frame, so gain changes nothing.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_rate, check_samples, is_mono
from chainweigh.kernels.band_frames import band_powers
from chainweigh.measure.frames import chunks, hann, rate_scale

Floats = NDArray[np.float64]

FRAME_FRAMES = 1024  # up to 48 kHz
HOP_FRAMES = 384
LAG_HOPS = 2
LEAD_S = 0.2  # what the file's start is compared with
LOWEST_HZ = 30.0
BANDS_PER_OCTAVE = 3
RANGE_DB = 60.0  # a band further below the loudest frame counts as silent
LEAST_RISE_DB = 1.5  # mean over bands, above the local median
SURE_RISE_DB = 3.5  # needs no step of the waveform's energy to be believed
MEDIAN_S = 0.35
SEPARATION_S = 0.03
BACK_S, AHEAD_S = 0.035, 0.02  # where the start may lie, around the novelty's peak
STEP_S = 0.001
STEP_WINDOW = 4  # steps averaged on either side
LEAST_STEP_DB = 3.0
CENTRES_AT_ONCE = 32  # bounds the memory


@dataclass(frozen=True, eq=False)
class Onsets:
    """Onsets in order of time; both shape (n_onsets,), empty where there are none.

    Attributes
    ----------
    times_s : start of each, in seconds from the start of the signal
    strengths : rise in dB, mean over third-octave bands
    """

    times_s: Floats
    strengths: Floats


def find_onsets(samples: Samples, sample_rate_hz: int) -> Onsets:
    """Times in seconds at which sounds begin.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), float32; 1 or 2 channels
    sample_rate_hz : int

    Raises
    ------
    SignalError
        Samples or rate break the array convention.

    Notes
    -----
    Silence, a steady tone and steady noise have none. Onsets closer than 30 ms are one. The start
    of a hard hit is placed within 2 ms. Slow swells and slurred notes, which raise no band quickly,
    are passed over. About 10 ms for 30 s of stereo.

    References
    ----------
    Spectral flux: J. P. Bello et al., "A Tutorial on Onset Detection in Music Signals", IEEE Trans.
    Speech and Audio Processing 13(5), 2005. Maximum over neighbouring bands: S. Boeck, G. Widmer,
    "Maximum Filter Vibrato Suppression for Onset Detection", DAFx-13 (both from memory).
    """
    check_samples(samples)
    check_rate(sample_rate_hz)
    if not samples.any():
        return Onsets(np.empty(0), np.empty(0))
    scale = rate_scale(sample_rate_hz)
    length, hop = FRAME_FRAMES * scale, HOP_FRAMES * scale
    levels_db = _band_levels_db(samples, sample_rate_hz, length, hop)
    novelty = _novelty(levels_db, round(LEAD_S * sample_rate_hz / hop))
    rises = novelty - _usual(novelty, sample_rate_hz / hop)
    peaks = _peaks(novelty, rises, sample_rate_hz / hop)
    starts, steps_db = _starts(samples, sample_rate_hz, peaks * hop)
    stepped = steps_db > LEAST_STEP_DB
    times = np.where(stepped, starts, peaks * hop) / sample_rate_hz
    believed = stepped | (rises[peaks] > SURE_RISE_DB)
    return Onsets(times[believed], novelty[peaks][believed])


def _band_edges(sample_rate_hz: int, length: int) -> NDArray[np.int64]:
    """First spectrum bin of each band, at least one bin apart; the last band ends below 18 kHz."""
    highest_hz = min(18_000.0, 0.45 * sample_rate_hz)
    n_bands = int(BANDS_PER_OCTAVE * np.log2(highest_hz / LOWEST_HZ))
    edges_hz = LOWEST_HZ * 2.0 ** (np.arange(n_bands + 1) / BANDS_PER_OCTAVE)
    return np.unique(np.round(edges_hz * length / sample_rate_hz).astype(np.int64))


def _band_levels_db(samples: Samples, sample_rate_hz: int, length: int, hop: int) -> Floats:
    """Level of each band, shape (n_frames, n_bands), frame k centred on frame k * hop of the file.

    0 dB is the loudest frame; the floor, RANGE_DB below it, is added to every band. Frames that
    would reach beyond the file's ends are moved inside, so that the ends make no edge.
    """
    edges = _band_edges(sample_rate_hz, length)
    n_hops = -(-samples.shape[1] // hop)
    missing = length - samples.shape[1]
    signal = np.pad(samples, ((0, 0), (0, missing))) if missing > 0 else samples
    starts = np.clip(np.arange(n_hops) * hop - length // 2, 0, signal.shape[1] - length)
    if is_mono(signal):
        power = 2 * band_powers(signal[0], starts, hann(length), edges)
    else:
        power = np.sum([band_powers(each, starts, hann(length), edges) for each in signal], axis=0)
    loudest = max(float(power.sum(axis=1, dtype=np.float64).max()), np.finfo(np.float64).tiny)
    floor = 10.0 ** (-RANGE_DB / 10.0)
    return np.asarray(10.0 * np.log10(power.astype(np.float64) / loudest + floor))


def _novelty(levels_db: Floats, n_lead: int) -> Floats:
    """Mean rise over bands in dB of every frame against the frame LAG_HOPS before."""
    lead = np.median(levels_db[:n_lead], axis=0)
    before = np.vstack([np.broadcast_to(lead, (LAG_HOPS, len(lead))), levels_db])[:-LAG_HOPS]
    widest = before.copy()
    np.maximum(widest[:, 1:], before[:, :-1], out=widest[:, 1:])
    np.maximum(widest[:, :-1], before[:, 1:], out=widest[:, :-1])
    return np.asarray(np.maximum(levels_db - widest, 0.0).mean(axis=1))


def _usual(novelty: Floats, hops_per_s: float) -> Floats:
    """Median of the novelty around each frame; the ends are mirrored."""
    from scipy.ndimage import median_filter

    reach = round(MEDIAN_S / 2 * hops_per_s)
    near = np.pad(novelty, reach, mode="reflect")  # scipy's own errs where a window tops the series
    return np.asarray(median_filter(near, 2 * reach + 1)[reach : reach + len(novelty)])


def _peaks(novelty: Floats, rises: Floats, hops_per_s: float) -> NDArray[np.int64]:
    """Frames at which the novelty is the largest within SEPARATION_S and stands out."""
    reach = max(round(SEPARATION_S * hops_per_s), 1)
    around = np.pad(novelty, reach, constant_values=-1.0)
    largest = np.lib.stride_tricks.sliding_window_view(around, 2 * reach + 1).max(axis=1)
    found = np.flatnonzero((novelty == largest) & (rises > LEAST_RISE_DB))
    return found[np.diff(found, prepend=-reach - 1) > reach]


def _starts(
    samples: Samples, sample_rate_hz: int, centres: NDArray[np.int64]
) -> tuple[Floats, Floats]:
    """Frame of the steepest rise of energy around each centre; by how many dB it tops all before.

    The energy is that of the first difference, which lets the attack's treble speak: STEP_WINDOW
    steps after against as many before. What only swings, as a low tone does within its period, is
    steep but does not rise above what came before.
    """
    step = round(STEP_S * sample_rate_hz)
    n_back, n_ahead = round(BACK_S / STEP_S), round(AHEAD_S / STEP_S)
    steepest, steps_db = np.empty(len(centres), np.int64), np.empty(len(centres))
    for some in chunks(len(centres), CENTRES_AT_ONCE):
        excerpts = _excerpts(samples, centres[some], n_back * step, n_ahead * step)
        energy = np.square(excerpts).sum(axis=1)
        steepest[some], steps_db[some] = _steepest(energy.reshape(len(energy), -1, step))
    return np.maximum(centres + (steepest + STEP_WINDOW - n_back) * step, 0), steps_db


def _steepest(energy: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Where energies of shape (n_excerpts, n_steps, step) rise most; by how many dB."""
    total = np.pad(np.cumsum(energy.sum(axis=2), axis=1), ((0, 0), (1, 0)))
    floor = total[:, -1:] * 1e-6 + np.finfo(np.float64).tiny
    half = total[:, STEP_WINDOW:] - total[:, :-STEP_WINDOW] + floor
    at = np.argmax(half[:, STEP_WINDOW:] / half[:, :-STEP_WINDOW], axis=1)
    behind = np.minimum(at[:, None] + np.arange(STEP_WINDOW, 3 * STEP_WINDOW), half.shape[1] - 1)
    after = np.take_along_axis(half, behind, axis=1).max(axis=1)
    before = np.take_along_axis(np.maximum.accumulate(half, axis=1), at[:, None], axis=1)[:, 0]
    return at, 10.0 * np.log10(after / before)


def _excerpts(samples: Samples, centres: NDArray[np.int64], n_back: int, n_ahead: int) -> Floats:
    """First differences around each centre, shape (n_centres, n_channels, n_back + n_ahead).

    Zeros stand in for what lies outside the file.
    """
    n_frames = samples.shape[1]
    around = np.zeros((len(centres), len(samples), n_back + n_ahead + 1))
    for excerpt, centre in zip(around, centres, strict=True):
        first = centre - n_back - 1
        inside = slice(max(first, 0), min(centre + n_ahead, n_frames))
        excerpt[:, inside.start - first : inside.stop - first] = samples[:, inside]
    return np.diff(around, axis=2)
