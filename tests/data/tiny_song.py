"""A 6 s song of two groups for tests: hits and a low note, made anew in any folder."""

import sys
from pathlib import Path

import numpy as np
import soundfile

SAMPLE_RATE_HZ = 44_100
DURATION_S = 6.0


def hits() -> np.ndarray:
    """Hits of changing pitch and level, each with a tall first millisecond, shape (n_frames, 2)."""
    rng = np.random.default_rng(11)
    out = np.zeros(int(DURATION_S * SAMPLE_RATE_HZ))
    time_s = np.arange(int(0.25 * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    for start_s in np.arange(0.1, DURATION_S - 0.3, 0.3):
        start = int(start_s * SAMPLE_RATE_HZ)
        body_hz, click_hz = rng.uniform(120, 400), rng.uniform(800, 3000)
        body = 0.25 * np.sin(2 * np.pi * body_hz * time_s) * np.exp(-time_s / 0.08)
        click = rng.uniform(0.4, 0.6) * np.sin(2 * np.pi * click_hz * time_s)
        hiss = 0.1 * rng.standard_normal(len(time_s)) * np.exp(-time_s / 0.03)
        out[start : start + len(time_s)] += body + click * np.exp(-time_s / 0.001) + hiss
    out = below_18_khz(out)
    return np.stack([out, 0.9 * out], axis=1)


def below_18_khz(signal: np.ndarray) -> np.ndarray:
    """Nothing above 18 kHz, where true-peak meters differ by their filters' band edges."""
    spectrum = np.fft.rfft(signal)
    hz = np.fft.rfftfreq(len(signal), 1 / SAMPLE_RATE_HZ)
    fade = 0.5 + 0.5 * np.cos(np.pi * np.clip((hz - 14_000) / 4_000, 0, 1))
    return np.fft.irfft(spectrum * fade, len(signal))


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
