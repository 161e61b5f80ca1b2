"""How loud a programme is in each 10 ms, and in which bands: the weights of the tone grid.

Conventions
-----------
Bands meet at the geometric means of neighbouring centres; the lowest begins at 20 Hz and the
highest ends at 20 kHz (or half the rate), so every part of the programme counts once:

    centre Hz  31.5    40     63    125    250    500   1000   2000   4000    8000
    upper edge 35.5  50.2   88.7  176.8  353.6  707.1   1414   2828   5657  20 000

Energies come from overlapping frames whose length follows the band (0.37 s at the bottom, 23 ms
from 500 Hz up) under a sine window, whose squares add up to one: nothing is counted twice, and no
band is later than another.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_rate, check_samples
from chainweigh.errors import SignalError
from chainweigh.kernels.decimate import decimate_by
from chainweigh.kernels.octave_frames import OctaveFrames, octave_energies
from chainweigh.measure.coherent import HIGHEST_HZ, LOWEST_HZ
from chainweigh.measure.tones import fitting_centres_hz

BLOCK_S = 0.01
# centres below this limit in Hz are read from frames of this length in s
LOW_RESOLUTIONS = ((50.0, 0.37), (90.0, 0.186), (180.0, 0.093), (360.0, 0.0465))
FULL_RATE_FROM_HZ, FULL_RATE_FRAME_S = 360.0, 0.0232
LOW_RATE_HZ = 1300.0  # lowest rate that keeps the 250 Hz band clear of the decimator's aliases
N_TAPS_PER_STEP = 12

Channels = Samples | list[NDArray[np.float32]]


@dataclass(frozen=True, eq=False)
class ReferenceBands:
    """A programme in blocks of 10 ms.

    Attributes
    ----------
    sample_rate_hz : int
    centres_hz : tuple of float
        The tone grid's nominal frequencies at this rate.
    block_peaks_dbfs : shape (n_blocks,), float64
        Largest sample over channels; minus infinity in digital silence.
    energies : shape (n_blocks, n_bands), float64
        Sum of squared samples over channels, in each band.
    """

    sample_rate_hz: int
    centres_hz: tuple[float, ...]
    block_peaks_dbfs: NDArray[np.float64]
    energies: NDArray[np.float64]


def reference_bands(samples: Samples, sample_rate_hz: int) -> ReferenceBands:
    """Peak level and band energies of each 10 ms block of a programme.

    Parameters
    ----------
    samples : shape (1 or 2, n_frames), float32
    sample_rate_hz : int

    Raises
    ------
    SignalError
        Samples or rate break the array convention, or there are no frames.

    Notes
    -----
    Transforms run in float32 and sums in float64: a band more than 120 dB below the loudest in its
    frame is noise. Below 50 Hz a block is shorter than half a cycle, so the block peaks of a steady
    low tone swing by up to 1.6 dB.
    """
    check_samples(samples)
    check_rate(sample_rate_hz)
    boundaries = block_boundaries(samples.shape[1], sample_rate_hz)
    centres = np.array(fitting_centres_hz(sample_rate_hz))
    edges = band_edges_hz(sample_rate_hz)
    step = 2 ** int(np.log2(sample_rate_hz / LOW_RATE_HZ))
    energies = np.zeros((len(boundaries) - 1, len(centres)))
    low = [_decimated(channel, step) for channel in samples]
    first = 0
    for limit_hz, frame_s in LOW_RESOLUTIONS:
        last = int(np.searchsorted(centres, limit_hz))
        framed = _frame_energies(low, sample_rate_hz / step, frame_s, edges[first : last + 1])
        energies[:, first:last] = step * _in_blocks(*framed, boundaries / step)
        first = last
    framed = _frame_energies(samples, sample_rate_hz, FULL_RATE_FRAME_S, edges[first:])
    energies[:, first:] = _in_blocks(*framed, boundaries)
    peaks_dbfs = _peaks_dbfs(block_peaks(samples, sample_rate_hz))
    energies.flags.writeable = peaks_dbfs.flags.writeable = False
    return ReferenceBands(
        sample_rate_hz=sample_rate_hz,
        centres_hz=tuple(centres.tolist()),
        block_peaks_dbfs=peaks_dbfs,
        energies=energies,
    )


def band_edges_hz(sample_rate_hz: int) -> NDArray[np.float64]:
    """Edges of the bands around the tone grid's centres, one more than there are centres."""
    centres = np.array(fitting_centres_hz(sample_rate_hz))
    between = np.sqrt(centres[:-1] * centres[1:])
    return np.concatenate([[LOWEST_HZ], between, [min(HIGHEST_HZ, sample_rate_hz / 2)]])


def block_boundaries(n_frames: int, sample_rate_hz: int) -> NDArray[np.int64]:
    """First frame of each 10 ms block, and n_frames at the end; the last block may be shorter.

    Raises
    ------
    SignalError
        There are no frames.
    """
    if n_frames == 0:
        raise SignalError("programme: 0 frames; at least 1 is needed")
    n_blocks = int(np.ceil(n_frames / (BLOCK_S * sample_rate_hz)))
    starts = np.rint(np.arange(n_blocks) * BLOCK_S * sample_rate_hz).astype(np.int64)
    return np.append(starts[starts < n_frames], n_frames)


def block_peaks(samples: Samples, sample_rate_hz: int) -> NDArray[np.float64]:
    """Largest absolute sample over channels in each 10 ms block, shape (n_blocks,)."""
    starts = block_boundaries(samples.shape[1], sample_rate_hz)[:-1]
    highest = np.maximum.reduceat(samples, starts, axis=1).max(axis=0)
    lowest = np.minimum.reduceat(samples, starts, axis=1).min(axis=0)
    return np.asarray(np.maximum(highest, -lowest), dtype=np.float64)


def _peaks_dbfs(peaks: NDArray[np.float64]) -> NDArray[np.float64]:
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(peaks))


def _decimated(channel: NDArray[np.float32], step: int) -> NDArray[np.float32]:
    """One channel at every step-th frame behind a linear-phase low-pass, aligned in time.

    Flat to 0.29 and 80 dB down from 0.71 of the new rate.
    """
    n_taps = N_TAPS_PER_STEP * step
    time = (np.arange(n_taps) - (n_taps - 1) / 2) / step
    taps = np.sinc(time) * np.kaiser(n_taps, 8.0)
    taps /= taps.sum()
    return decimate_by(channel, step, taps.astype(np.float32))


def _frame_energies(
    channels: Channels, rate_hz: float, frame_s: float, edges_hz: NDArray[np.float64]
) -> tuple[NDArray[np.float64], int]:
    """Energy between neighbouring edges in frames of about frame_s, and the hop between frames.

    Summed over one or two channels. Frame i is centred on i * hop; half a frame of zeros goes
    before the signal.
    """
    n = 2 ** round(np.log2(frame_s * rate_hz))
    hop, n_signal = n // 2, len(channels[0])
    frames = _octave_frames(n, rate_hz, edges_hz)
    n_inner = max(n_signal // hop - 1, 0)  # frames that lie within the signal
    head = [np.pad(c[:hop], (hop, max(hop - n_signal, 0))) for c in channels]
    tail = [np.pad(c[n_inner * hop :], (0, -n_signal % hop + hop)) for c in channels]
    parts = (head, channels, tail) if n_inner else (head, tail)
    return np.concatenate([_summed_energies(part, frames) for part in parts]), hop


def _summed_energies(channels: Channels, frames: OctaveFrames) -> NDArray[np.float64]:
    energies, _ = octave_energies(channels[0], channels[-1], frames)
    return np.asarray(energies[: len(channels)].sum(axis=0))


def _octave_frames(n: int, rate_hz: float, edges_hz: NDArray[np.float64]) -> OctaveFrames:
    """Frames of n under a sine window, their bands between neighbouring edges."""
    shares = (2.0 / n * _bin_shares(n, rate_hz, edges_hz)).T.astype(np.float32)
    bins = [np.flatnonzero(share) for share in shares]
    return OctaveFrames(
        window=np.sin(np.pi * (np.arange(n) + 0.5) / n).astype(np.float32),
        hop=n // 2,
        loudness=np.zeros(n // 2 + 1, dtype=np.float32),
        first_bin=np.array([each[0] for each in bins], dtype=np.int32),
        n_band_bins=np.array([len(each) for each in bins], dtype=np.int32),
        share=np.concatenate([share[each] for share, each in zip(shares, bins, strict=True)]),
    )


def _bin_shares(n: int, rate_hz: float, edges_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much of each transform bin, one bin wide, lies between neighbouring edges."""
    below = np.clip(edges_hz[None, :] * n / rate_hz - np.arange(n // 2 + 1)[:, None] + 0.5, 0, 1)
    return np.diff(below, axis=1)


def _in_blocks(
    frame_energies: NDArray[np.float64], hop: int, boundaries: NDArray[np.float64 | np.int64]
) -> NDArray[np.float64]:
    """Frame energies, each spread evenly over the hop around its centre, summed in blocks."""
    edges = np.clip((np.arange(len(frame_energies) + 1) - 0.5) * hop, 0, boundaries[-1])
    summed = np.cumsum(np.vstack([np.zeros(frame_energies.shape[1]), frame_energies]), axis=0)
    at_boundaries = [np.interp(boundaries, edges, column) for column in summed.T]
    return np.diff(np.stack(at_boundaries, axis=1), axis=0)
