"""A 6 s song of two groups for tests: hits and a low note, made anew in any folder."""

import sys
from pathlib import Path

import numpy as np
import soundfile

SAMPLE_RATE_HZ = 44_100
DURATION_S = 6.0


def hits() -> np.ndarray:
    """A burst with a tall first millisecond every half second, shape (n_frames, 2)."""
    n_frames = int(DURATION_S * SAMPLE_RATE_HZ)
    out = np.zeros(n_frames)
    time_s = np.arange(int(0.25 * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    body = 0.25 * np.sin(2 * np.pi * 180 * time_s) * np.exp(-time_s / 0.08)
    click = 0.5 * np.sin(2 * np.pi * 1500 * time_s) * np.exp(-time_s / 0.002)
    for start_s in np.arange(0.1, DURATION_S - 0.3, 0.5):
        start = int(start_s * SAMPLE_RATE_HZ)
        out[start : start + len(time_s)] += body + click
    return np.stack([out, 0.9 * out], axis=1)


def low_note() -> np.ndarray:
    """A 55 Hz note with a slow swell, shape (n_frames, 1)."""
    time_s = np.arange(int(DURATION_S * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    swell = 0.75 + 0.25 * np.sin(2 * np.pi * 0.5 * time_s)
    return (0.2 * swell * np.sin(2 * np.pi * 55 * time_s))[:, None]


def write(folder: Path) -> Path:
    """Write the song; returns its folder."""
    for group, samples in (("hits", hits()), ("low", low_note())):
        (folder / group).mkdir(parents=True)
        soundfile.write(folder / group / f"{group}.wav", samples, SAMPLE_RATE_HZ, subtype="FLOAT")
    return folder


if __name__ == "__main__":
    write(Path(sys.argv[1]))
