"""Dither: rounds to a bit depth without distortion, for the end of a master chain."""

import hashlib
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.effects.base import Effect, Kind, Parameter, Settings
from chainweigh.errors import ChainFileError
from chainweigh.kernels.dither import round_dithered

Float64 = NDArray[np.float64]

BLOCK_FRAMES = 2048
# 1 - sum taps z^-k is (1 - z^-1)^2, and the modified E-weighting of the 1991 paper for 44.1 kHz.
TAPS = {
    "flat": (),
    "rising": (2.0, -1.0),
    "hearing": (2.033, -2.165, 1.959, -1.590, 0.6149),
}
HEARING_RATES_HZ = (44_100, 48_000)


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    """Round each side to multiples of 2^(1 - bits), with triangular dither of +-1 step.

    Notes
    -----
    The noise of a block of 2048 frames follows from the samples up to its end, so equal sounds get
    equal noise (a mono song stays mono) and nothing later has a say. Digital silence is left
    alone: a block of nothing but zeros passes. Full scale is not held: what passes it after
    dither clips in a fixed-point file, so the limiter before needs a ceiling below 0 dBFS.

    Total noise re 1.0: flat -96.33 dB at 16 bits and -144.49 dB at 24; rising 7.8 dB, hearing
    12.2 dB more, most of it where hearing is dull.
    """
    step = 2.0 ** (1 - int(settings["bits"]))
    taps = np.array(TAPS[str(settings["noise"])], dtype=np.float64)
    out = np.empty_like(samples)
    for channel, dithered in zip(samples, out, strict=True):
        _dither(channel, dithered, step, taps)
    return out


def _dither(channel: Samples, out: Samples, step: float, taps: Float64) -> None:
    """One channel, stretch by stretch between blocks of digital silence."""
    noise, heard, history = np.zeros(len(channel)), [], b""
    for start in range(0, len(channel), BLOCK_FRAMES):
        block = channel[start : start + BLOCK_FRAMES]
        history = _digest(history, block)
        heard.append(bool(block.any()))
        if heard[-1]:
            noise[start : start + BLOCK_FRAMES] = _triangular(history, len(block))
    start = 0
    for audible, blocks in groupby(heard):
        stretch = slice(start, start + BLOCK_FRAMES * len(list(blocks)))
        start = stretch.stop
        if audible:
            out[stretch] = round_dithered(channel[stretch], noise[stretch], step=step, taps=taps)
        else:
            out[stretch] = channel[stretch]


def _digest(history: bytes, block: Samples) -> bytes:
    return hashlib.blake2b(block.astype("<f4").tobytes(), key=history, digest_size=16).digest()


def _triangular(seed: bytes, n_frames: int) -> Float64:
    """Sum of two independent uniform numbers of +-1/2, from the two halves of 64 random bits."""
    bits = np.random.Philox(key=int.from_bytes(seed, "little")).random_raw(n_frames)
    halves = bits.astype("<u8").view("<u4").reshape(-1, 2).astype(np.float64)
    return np.asarray((halves[:, 0] - halves[:, 1]) / 2.0**32)


def _check_at_rate(sample_rate_hz: int, settings: Settings) -> None:
    if settings["noise"] == "hearing" and sample_rate_hz not in HEARING_RATES_HZ:
        raise ChainFileError(
            f'dither: "noise" is "hearing", which is made for 44100 and 48000 Hz; at '
            f"{sample_rate_hz} Hz use flat or rising"
        )


EFFECT = Effect(
    name="dither",
    about="Rounds to the bit depth of a fixed-point file without distortion; last in a master.",
    parameters=(
        Parameter(
            "bits",
            Kind.COUNT,
            "bit depth of the file to be written; fewer bits, more noise",
            default=24,
            choices=(16, 24),
        ),
        Parameter(
            "noise",
            Kind.CHOICE,
            "where the hiss lies: flat, rising with frequency by 12 dB an octave, or away from "
            "where hearing is keen (44.1 and 48 kHz only)",
            default="flat",
            choices=tuple(TAPS),
        ),
    ),
    process=_process,
    check_at_rate=_check_at_rate,
    notes=(
        "For the last stage of a chain whose output is written as it is: any gain behind it, such "
        "as a level match, moves the samples off the grid again. Digital silence is left alone. "
        "Full scale is not held; leave a limiter before it a ceiling below 0 dBFS. The noise "
        "follows from the sound itself, so each run gives the same file."
    ),
    source=(
        "S. P. Lipshitz, R. A. Wannamaker, J. Vanderkooy, J. Audio Eng. Soc. 40(5), 1992 (dither) "
        "and 39(11), 1991 (error feedback, modified E-weighted filter)"
    ),
)
