"""Distortion on tones that ride a programme's envelope, where gain moves as the programme moves it.

A steady tone settles a compressor; what follows the compressor is then never driven as the
programme drives it. Here each tone carries the programme's 10 ms peaks over its loudest windows,
and what appears more than half an octave away from the tone is distortion.

Conventions
-----------
- Tones: the grid's centres from 250 Hz up; below, half an octave cannot hold the envelope.
- Envelope: block peaks held for 10 ms and smoothed by a Hann kernel of 6.83 / f0 seconds, whose
  spectrum has its first null half an octave below f0: as steep as each tone allows.
- Windows: the three loudest of 4 s that do not overlap, each after up to 1 s of what precedes it in
  the programme, which is not analysed, and before a silent guard.
- Weights: the programme's band energies in those windows. What lies below the lowest tone's band
  is shared by the three highest tones whose third harmonic is heard: low notes may begin abruptly,
  and these rise most steeply.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_samples
from chainweigh.errors import SignalError
from chainweigh.measure.coherent import (
    GUARD_S,
    HIGHEST_HZ,
    LOWEST_HZ,
    bin_frequency_hz,
    nearest_odd_bin,
    unit_sine,
)
from chainweigh.measure.reference_bands import BLOCK_S, ReferenceBands

LOWEST_CENTRE_HZ = 250.0
HALF_OCTAVE = 2.0**0.5
KERNEL_CYCLES = 2.0 / (1.0 - 1.0 / HALF_OCTAVE)
N_WINDOWS = 3
N_WINDOW_BLOCKS = 400
N_LEAD_BLOCKS = 100
N_SHARING_TONES = 3
TAPER_S = 0.1


@dataclass(frozen=True, eq=False)
class RiddenTones:
    """Tones that ride one programme, window after window, each window with every tone in turn.

    Attributes
    ----------
    sample_rate_hz : int
    frequencies_hz : tuple of float
    n_windows : int
        0 when the programme is silent.
    n_lead_frames, n_window_frames, n_guard_frames : int
        Parts of each segment.
    signal : shape (1, n_frames), float32, read-only
        What the caller runs through a process.
    weights : shape (n_frequencies,)
        Programme energy each tone stands for.
    bypass_shares : shape (n_frequencies,)
        Share of each tone's own energy beyond half an octave.
    """

    sample_rate_hz: int
    frequencies_hz: tuple[float, ...]
    n_windows: int
    n_lead_frames: int
    n_window_frames: int
    n_guard_frames: int
    signal: Samples
    weights: NDArray[np.float64]
    bypass_shares: NDArray[np.float64]


def ridden_tones(bands: ReferenceBands) -> RiddenTones:
    """Tones that carry the envelope of a programme's loudest windows.

    Parameters
    ----------
    bands : ReferenceBands
        Of the programme that reaches the chain.

    Notes
    -----
    18 segments of 5.2 s, 94 s in all, at 44.1 kHz; fewer for a programme too short for three
    windows of 4 s, of which a programme shorter than 4 s makes one.
    """
    rate = bands.sample_rate_hz
    first = bands.centres_hz.index(LOWEST_CENTRE_HZ)
    bins = [nearest_odd_bin(centre, rate) for centre in bands.centres_hz[first:]]
    n_window_blocks = min(N_WINDOW_BLOCKS, len(bands.energies))
    starts = _loudest_windows(bands.energies.sum(axis=1), n_window_blocks)
    n_block = round(BLOCK_S * rate)
    ridden = RiddenTones(
        sample_rate_hz=rate,
        frequencies_hz=tuple(bin_frequency_hz(k, rate) for k in bins),
        n_windows=len(starts),
        n_lead_frames=N_LEAD_BLOCKS * n_block,
        n_window_frames=n_window_blocks * n_block,
        n_guard_frames=round(GUARD_S * rate),
        signal=_signal(bands, bins, starts, n_window_blocks),
        weights=_weights(bands, first, starts, n_window_blocks),
        bypass_shares=np.zeros(len(bins)),
    )
    beyond, whole = _energies(ridden.signal, ridden)
    np.divide(beyond, whole, out=ridden.bypass_shares, where=whole > 0)
    for array in (ridden.signal, ridden.weights, ridden.bypass_shares):
        array.flags.writeable = False
    return ridden


def thdn_ridden_pct(output: Samples, ridden: RiddenTones) -> float | None:
    """Energy the tones gained beyond half an octave, re their total, weighted by band, in percent.

    Parameters
    ----------
    output : shape (1 or 2, >= n_frames), float32
        What a process made of `ridden.signal`, aligned with it in time; a tail is ignored.
    ridden : RiddenTones

    Returns
    -------
    float, or None where the programme is silent or every tone came back silent. A bypass or a gain
    reads 0.

    Raises
    ------
    SignalError
        `output` breaks the array convention or is shorter than the signal.

    Notes
    -----
    20 Hz to 20 kHz. Of what a clip takes of a brief peak much is the tone's own level, which is not
    counted: a 4:1 compressor (20 ms, 150 ms) into a clip 3.5 dB below the peak took 2.0 to 6.4 % of
    eight groups and reads 1.3 to 4.0 %, the compressor alone a tenth or less of that. Quicker
    attacks read lower still, since the envelope takes 27 ms to rise at 250 Hz and 1.7 ms at 4 kHz:
    with 5 ms drums that lost 3.3 % read 0.7 %, nearly all of it the compressor's movement, alone
    0.6 %. A clip that meets only hits outside the windows is not seen at all (0.2 % where another
    group of drums lost 1.7 %, on three hits after rests). In each of these the residual is larger
    by far, so it is what ranks them.
    """
    check_samples(output, what="ridden tones' output")
    if output.shape[1] < ridden.signal.shape[1]:
        raise SignalError(
            f"ridden tones' output: {output.shape[1]} frames; the signal that was to be rendered "
            f"has {ridden.signal.shape[1]}"
        )
    beyond, whole = _energies(output, ridden)
    heard = whole > 0
    if not ridden.weights[heard].sum() > 0:
        return None
    gained = np.maximum(beyond[heard] / whole[heard] - ridden.bypass_shares[heard], 0.0)
    weights = ridden.weights[heard]
    return 100.0 * float(np.sqrt(weights @ gained / weights.sum()))


def _loudest_windows(energies: NDArray[np.float64], n_blocks: int) -> list[int]:
    """First blocks of up to three windows with the most energy that do not overlap, in order."""
    summed = np.concatenate([[0.0], np.cumsum(energies)])
    in_window = summed[n_blocks:] - summed[:-n_blocks]
    starts: list[int] = []
    while len(starts) < N_WINDOWS and in_window.max() > 0:
        start = int(np.argmax(in_window))
        starts.append(start)
        in_window[max(0, start - n_blocks + 1) : start + n_blocks] = 0.0
    return sorted(starts)


def _signal(
    bands: ReferenceBands, bins: list[int], starts: list[int], n_window_blocks: int
) -> Samples:
    """Lead-in and window of each start with each tone in turn, each before a silent guard."""
    rate = bands.sample_rate_hz
    n_block = round(BLOCK_S * rate)
    n_body = (N_LEAD_BLOCKS + n_window_blocks) * n_block
    n_segment = n_body + round(GUARD_S * rate)
    segments = np.zeros((len(starts), len(bins), n_segment), dtype=np.float32)
    for j, k in enumerate(bins):
        tone = unit_sine(k, n_body).reshape(-1, n_block)
        kernel = _smoothed_block(n_block, KERNEL_CYCLES / bin_frequency_hz(k, rate) * rate)
        for i, start in enumerate(starts):
            envelope = _held_peaks(bands, start, n_window_blocks) @ kernel
            segments[i, j, :n_body] = (envelope * tone).reshape(-1)
    return segments.reshape(1, -1)


def _held_peaks(bands: ReferenceBands, start: int, n_blocks: int) -> NDArray[np.float64]:
    """Peaks of each block from the lead-in on and of two neighbours either side, one row a block.

    Beyond the lead-in's start and the window's end the tone is silent.
    """
    peaks = np.zeros(N_LEAD_BLOCKS + n_blocks)
    n_lead = min(N_LEAD_BLOCKS, start)
    levels = bands.block_peaks_dbfs[start - n_lead : start + n_blocks]
    peaks[N_LEAD_BLOCKS - n_lead :] = 10.0 ** (levels / 20.0)
    return np.lib.stride_tricks.sliding_window_view(np.pad(peaks, 2), 5)


def _smoothed_block(n_block: int, kernel_frames: float) -> NDArray[np.float64]:
    """Share of a block and two neighbours either side in each of its smoothed frames.

    Shape (5, n_block); columns add up to one.
    """
    edges = (np.arange(6) - 2) * n_block
    u = np.clip((np.arange(n_block) + 0.5 - edges[:, None]) / kernel_frames, -0.5, 0.5)
    risen = u + np.sin(2 * np.pi * u) / (2 * np.pi) + 0.5
    return np.asarray(-np.diff(risen, axis=0))


def _weights(
    bands: ReferenceBands, first: int, starts: list[int], n_blocks: int
) -> NDArray[np.float64]:
    """Energy of each tone's band, and its share of what lies below the lowest."""
    energies = np.zeros(len(bands.centres_hz))
    for start in starts:
        energies += bands.energies[start : start + n_blocks].sum(axis=0)
    weights = energies[first:].copy()
    highest_hz = min(HIGHEST_HZ, bands.sample_rate_hz / 2)
    stop = sum(3 * centre < highest_hz for centre in bands.centres_hz[first:])
    sharing = slice(max(stop - N_SHARING_TONES, 0), stop)
    weights[sharing] += energies[:first].sum() / len(weights[sharing])
    return weights


def _energies(
    output: Samples, ridden: RiddenTones
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Energy beyond half an octave of each tone, and in all, over windows and channels."""
    n_tones = len(ridden.frequencies_hz)
    beyond, whole = np.zeros(n_tones), np.zeros(n_tones)
    n_segment = ridden.n_lead_frames + ridden.n_window_frames + ridden.n_guard_frames
    shape = (len(output), ridden.n_windows, n_tones, n_segment)
    segments = output[:, : ridden.signal.shape[1]].reshape(shape)
    window = segments[..., ridden.n_lead_frames :][..., : ridden.n_window_frames]
    for j, frequency_hz in enumerate(ridden.frequencies_hz):
        for part in window[:, :, j].reshape(-1, ridden.n_window_frames):
            below, near, above = _power_around(part, frequency_hz, ridden.sample_rate_hz)
            beyond[j] += below + above
            whole[j] += below + near + above
    return beyond, whole


def _power_around(
    part: NDArray[np.float32], frequency_hz: float, sample_rate_hz: int
) -> tuple[float, float, float]:
    """Power of a tapered part below, within and above half an octave of a tone."""
    from scipy.fft import next_fast_len, rfft

    n_taper = min(round(TAPER_S * sample_rate_hz), len(part) // 2)
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(n_taper) + 0.5) / n_taper)
    tapered = part.astype(np.float64)
    tapered[:n_taper] *= rise
    tapered[len(part) - n_taper :] *= rise[::-1]
    n = next_fast_len(len(part), real=True)
    spectrum = rfft(tapered, n)
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    edges_hz = (LOWEST_HZ, frequency_hz / HALF_OCTAVE, frequency_hz * HALF_OCTAVE, HIGHEST_HZ)
    low, near, far, high = (int(np.ceil(f * n / sample_rate_hz)) for f in edges_hz)
    return power[low:near].sum(), power[near:far].sum(), power[far:high].sum()
