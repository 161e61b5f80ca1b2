"""An equaliser curve without phase shift: a symmetric filter with the analog curve itself.

References
----------
L. R. Rabiner, B. Gold: Theory and Application of Digital Signal Processing, 1975, section 3.12
(frequency sampling). T. G. Stockham: High-Speed Convolution and Correlation. AFIPS Spring Joint
Computer Conference, 1966 (overlap-add).
"""

from collections.abc import Sequence
from functools import lru_cache
from math import ceil, log

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.effects.eq_curve import Section, power_gain, ring_s

Vector = NDArray[np.float64]

RINGS_FOR = log(10 ** (100 / 20))  # time constants until 100 dB down
LEAST_FRAMES = 1024
FLAT_SHARE = 0.7  # of the half length; a cosine fades the rest


def half_frames(sections: Sequence[Section], frequency_hz: float, sample_rate_hz: int) -> int:
    """Frames the filter reaches to either side."""
    return max(LEAST_FRAMES, ceil(RINGS_FOR * ring_s(sections, frequency_hz) * sample_rate_hz))


@lru_cache(maxsize=8)
def symmetric_taps(
    sections: tuple[Section, ...], frequency_hz: float, sample_rate_hz: int
) -> Vector:
    """Taps from -half_frames to +half_frames; their response is real and follows the curve."""
    n_half = half_frames(sections, frequency_hz, sample_rate_hz)
    n_bins = 1 << (2 * n_half).bit_length()
    at_hz = np.linspace(0, sample_rate_hz / 2, n_bins + 1, dtype=np.float64)
    gain = np.sqrt(power_gain(sections, (at_hz / frequency_hz) ** 2))
    right = np.fft.irfft(gain)[: n_half + 1]
    fade = np.clip((np.arange(n_half + 1) / n_half - FLAT_SHARE) / (1 - FLAT_SHARE), 0, 1)
    right *= 0.5 + 0.5 * np.cos(np.pi * fade)
    taps = np.concatenate([right[:0:-1], right])
    taps.flags.writeable = False
    return taps


def filter_aligned(samples: Samples, taps: Vector) -> Samples:
    """Convolve each channel with symmetric taps, aligned in time; same shape."""
    return np.stack([_filtered(channel, taps) for channel in samples])


def _filtered(channel: NDArray[np.float32], taps: Vector) -> NDArray[np.float32]:
    n_block = 4 * (1 << len(taps).bit_length())
    response = np.fft.rfft(taps, n_block)
    step = n_block - len(taps) + 1
    out = np.zeros(len(channel) + len(taps) - 1)
    for start in range(0, len(channel), step):
        block = channel[start : start + step].astype(np.float64)
        target = out[start : start + len(block) + len(taps) - 1]
        target += np.fft.irfft(np.fft.rfft(block, n_block) * response)[: len(target)]
    return out[len(taps) // 2 :][: len(channel)].astype(np.float32)
