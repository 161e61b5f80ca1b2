"""Frames and spans shared by the measures that compare spectra: lengths, windows, activity."""

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.errors import SignalError

Floats = NDArray[np.float64]
Span = tuple[float, float]  # start and end in seconds

FRAME_FRAMES = 2048  # up to 48 kHz
SPAN_S = 10.0
ENERGY_STEP_S = 0.01
ACTIVE_LUFS = -70.0  # absolute gate of ITU-R BS.1770
FADE_FRAMES = 64  # of what lies around a window
CHUNK = 512  # frames transformed at once: stays in the cache, bounds the memory


def rate_scale(sample_rate_hz: int) -> int:
    """Power of two by which analysis lengths grow with the rate: 1 up to 48 kHz, 2 up to 96."""
    scale = 1
    while sample_rate_hz > 48_000 * scale:
        scale *= 2
    return scale


def frame_length(sample_rate_hz: int) -> int:
    """Analysis frame: 2048 frames up to 48 kHz, in proportion above."""
    return FRAME_FRAMES * rate_scale(sample_rate_hz)


def hann(n_frames: int) -> NDArray[np.float32]:
    """Periodic Hann window."""
    phase = 2 * np.pi * np.arange(n_frames) / n_frames
    return np.asarray(0.5 - 0.5 * np.cos(phase), dtype=np.float32)


def framed(signal: NDArray[np.float32], length: int, hop: int) -> NDArray[np.float32]:
    """View of one channel as whole frames, shape (n_frames, length); shares memory."""
    return np.lib.stride_tricks.sliding_window_view(signal, length)[::hop]


def piece(signal: NDArray[np.float32], start: int, n_frames: int) -> NDArray[np.float32]:
    """Frames [start, start + n_frames) of one channel, zero where it has none."""
    out = np.zeros(n_frames, dtype=np.float32)
    first, last = max(start, 0), min(start + n_frames, len(signal))
    if last > first:
        out[first - start : last - start] = signal[first:last]
    return out


def padded_frames(
    signal: NDArray[np.float32], length: int, hop: int, *, lead: int, n_frames: int, size: int
) -> Iterator[tuple[slice, NDArray[np.float32]]]:
    """Frames of one channel amid silence, `size` at once: which they are, and their samples.

    Frame i begins at sample i * hop - lead. Only the samples of `size` frames are held at a time.
    """
    for rows in chunks(n_frames, size):
        n = (rows.stop - rows.start - 1) * hop + length
        yield rows, framed(piece(signal, rows.start * hop - lead, n), length, hop)


def chunks(n_items: int, size: int = CHUNK) -> Iterator[slice]:
    """Slices that cover n_items in order."""
    for start in range(0, n_items, size):
        yield slice(start, min(start + size, n_items))


def faded_window(samples: Samples, start: int, end: int) -> Samples:
    """Frames from start to end, and up to FADE_FRAMES beyond on either side faded to zero."""
    before = min(start, FADE_FRAMES)
    after = min(samples.shape[1] - end, FADE_FRAMES)
    window = samples[:, start - before : end + after].copy()
    ramp = np.sin(0.5 * np.pi * np.arange(FADE_FRAMES) / FADE_FRAMES) ** 2
    window[:, :before] *= ramp[FADE_FRAMES - before :].astype(np.float32)
    window[:, window.shape[1] - after :] *= ramp[::-1][:after].astype(np.float32)
    return window


def k_weighting_power(frequency_hz: Floats) -> Floats:
    """Power response of K-weighting, from the coefficients at 48 kHz (ITU-R BS.1770-5, Annex 1).

    Above 20 kHz the value at 20 kHz is kept, so that other rates can be gated alike.
    """
    z = np.exp(-2j * np.pi * np.minimum(frequency_hz, 20_000.0) / 48_000.0)
    shelf = (1.53512485958697 - 2.69169618940638 * z + 1.19839281085285 * z**2) / (
        1 - 1.69065929318241 * z + 0.73248077421585 * z**2
    )
    high_pass = (1 - z) ** 2 / (1 - 1.99004745483398 * z + 0.99007225036621 * z**2)
    return np.asarray(np.abs(shelf * high_pass) ** 2)


@lru_cache(maxsize=8)
def loudness_weight(sample_rate_hz: int, length: int) -> NDArray[np.float32]:
    """Weight of each bin's power in the K-weighted mean square of a Hann-windowed frame.

    Shape (length // 2 + 1,), for |rfft(frame * hann)|^2 of one channel. Loudness of a frame is
    -0.691 + 10 log10 of the sum over bins and channels.
    """
    weight = k_weighting_power(np.arange(length // 2 + 1) * sample_rate_hz / length)
    weight[1:-1] *= 2
    weight *= 1 / (0.375 * length**2)  # mean square of the Hann window is 3/8
    kept = weight.astype(np.float32)
    kept.flags.writeable = False
    return kept


def is_active(mean_square: Floats) -> NDArray[np.bool_]:
    """Frames louder than -70 LUFS, from K-weighted mean squares summed over channels."""
    return np.asarray(mean_square > 10 ** ((ACTIVE_LUFS + 0.691) / 10))


def loudest_spans(
    energies: Floats, *, n_spans: int = 3, span_s: float = SPAN_S
) -> tuple[Span, ...]:
    """Start and end in seconds of a song's loudest stretches that do not overlap, loudest first.

    Parameters
    ----------
    energies : energy of each 10 ms of the song, K-weighted or plain, shape (n_steps,)
    n_spans : how many at most; fewer where the song is too short for more
    span_s : their length; a shorter song is one span

    Raises
    ------
    SignalError
        Energies that are not finite, negative or not a series.
    """
    if energies.ndim != 1 or not np.isfinite(energies).all() or (energies < 0).any():
        raise SignalError("energies: a series of finite values, 0 or more, is needed")
    steps = round(span_s / ENERGY_STEP_S)
    if len(energies) <= steps:
        return ((0.0, len(energies) * ENERGY_STEP_S),) if len(energies) else ()
    total = np.concatenate([[0.0], np.cumsum(energies, dtype=np.float64)])
    sums = total[steps:] - total[:-steps]
    spans: list[Span] = []
    while len(spans) < n_spans and (sums >= 0).any():
        start = int(np.argmax(sums))
        spans.append((start * ENERGY_STEP_S, (start + steps) * ENERGY_STEP_S))
        sums[max(start - steps + 1, 0) : start + steps] = -1
    return tuple(spans)
