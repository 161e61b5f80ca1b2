"""A run's files over time: loudness and waveform of the whole, and the samples of one moment."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.audio.files import read_audio, read_part
from chainweigh.errors import AudioFileError
from chainweigh.measure.loudness import LoudnessSeries, short_term_lufs

N_COLUMNS = 700  # of a waveform
SERIES_STEP_MS = 200
MOMENT_S = 0.02


@dataclass(frozen=True, eq=False)
class Overview:
    """A file over time: lowest and highest sample of each column, and short-term loudness."""

    duration_s: float
    lowest: NDArray[np.float32]
    highest: NDArray[np.float32]
    short_term: LoudnessSeries


@dataclass(frozen=True, eq=False)
class Moment:
    """The same few milliseconds of reference and candidate, on the channel that changed most."""

    at_s: float
    sample_rate_hz: int
    reference: NDArray[np.float32]
    candidate: NDArray[np.float32]


def overview_of(samples: Samples, sample_rate_hz: int) -> Overview:
    """Waveform and short-term loudness of a whole signal, shape (n_channels, n_frames)."""
    edges = np.linspace(0, samples.shape[1], N_COLUMNS + 1).astype(int)[:-1]
    starts = np.unique(edges)
    return Overview(
        samples.shape[1] / sample_rate_hz,
        np.minimum.reduceat(samples.min(axis=0), starts),
        np.maximum.reduceat(samples.max(axis=0), starts),
        short_term_lufs(samples, sample_rate_hz, hop_ms=SERIES_STEP_MS),
    )


def read_overview(files: Sequence[Path]) -> Overview | None:
    """The overview of a file, or of several summed; None where one cannot be read."""
    total: Samples | None = None
    try:
        for file in files:
            audio = read_audio(file)
            if total is not None and total.shape != audio.samples.shape:
                return None
            total = audio.samples if total is None else total + audio.samples
            rate = audio.sample_rate_hz
    except AudioFileError:
        return None
    return None if total is None else overview_of(total, rate)


def read_moment(
    reference: Path, candidate: Path, at_s: float, sample_rate_hz: int
) -> Moment | None:
    """What a candidate did around a time; None where the files cannot be read there."""
    n_frames = round(MOMENT_S * sample_rate_hz)
    start = max(0, round(at_s * sample_rate_hz))
    try:
        start = _largest_change(reference, candidate, start, sample_rate_hz) - n_frames // 2
        pair = [read_part(file, max(0, start), n_frames).samples for file in (reference, candidate)]
    except AudioFileError:
        return None
    if pair[0].shape != pair[1].shape:
        return None
    channel = int(np.argmax(np.abs(pair[1] - pair[0]).max(axis=1)))
    return Moment(
        max(0, start) / sample_rate_hz, sample_rate_hz, pair[0][channel], pair[1][channel]
    )


def _largest_change(reference: Path, candidate: Path, start: int, sample_rate_hz: int) -> int:
    """Frame of the largest difference in the 100 ms from a frame on."""
    n_frames = round(0.1 * sample_rate_hz)
    one, other = (read_part(f, start, n_frames).samples for f in (reference, candidate))
    return start + int(np.argmax(np.abs(other - one).max(axis=0)))
