"""Cascades of second-order sections."""

from collections.abc import Sequence
from math import pi, tan

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native

MAX_SECTIONS = 64


def bilinear_section(
    b: Sequence[float], a: Sequence[float], frequency_hz: float, sample_rate_hz: float
) -> tuple[float, float, float, float, float]:
    """Row b0 b1 b2 a1 a2 of an analog section, exact at one frequency (bilinear transform).

    Parameters
    ----------
    b, a : coefficients of 1, s and s^2, with 1 rad/s standing for frequency_hz

    Notes
    -----
    For the prototypes of the Audio EQ Cookbook the rows are the cookbook's.

    References
    ----------
    R. Bristow-Johnson: Audio EQ Cookbook. W3C Working Group Note, 2021.
    """
    k = tan(pi * frequency_hz / sample_rate_hz)
    (b0, b1, b2), (a0, a1, a2) = (_in_delays(c, k) for c in (b, a))
    return b0 / a0, b1 / a0, b2 / a0, a1 / a0, a2 / a0


def _in_delays(c: Sequence[float], k: float) -> tuple[float, float, float]:
    low, middle, high = c[0] * k * k, c[1] * k, c[2]
    return low + middle + high, 2 * (low - high), low - middle + high


def filter_sections(
    samples: NDArray[np.float32], sections: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Run a cascade of second-order sections over each channel, from zero state.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), float32
    sections : shape (n_sections, 5), rows b0 b1 b2 a1 a2 with a0 = 1, at most 64 rows

    Returns
    -------
    Filtered samples, same shape; states accumulate in float64.

    Notes
    -----
    Equals the twin to float32 rounding. States below 1e-25 (-500 dB) become zero, so a decaying
    filter never slows down on denormal numbers. A pass runs four sections and two channels at once:
    one section costs as much as four, one channel as much as two.
    """
    if len(sections) > MAX_SECTIONS:
        raise ValueError(f"{len(sections)} filter sections; at most {MAX_SECTIONS} are allowed")
    if not native.compiled:
        return filter_sections_twin(samples, sections)
    out = np.empty_like(samples)
    coefficients = np.ascontiguousarray(sections, dtype=np.float64)
    for first in range(0, len(samples), 2):
        second = min(first + 1, len(samples) - 1)
        native.lib.cw_biquad_cascade(
            native.pointer(samples[first]),
            native.pointer(samples[second]),
            native.pointer(out[first]),
            native.pointer(out[second]),
            samples.shape[1],
            native.pointer(coefficients),
            len(coefficients),
        )
    return out


def filter_sections_twin(
    samples: NDArray[np.float32], sections: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Defines `filter_sections` with scipy.signal.sosfilt."""
    if samples.shape[1] == 0 or len(sections) == 0:
        return samples.copy()
    from scipy.signal import sosfilt

    sos = np.insert(np.asarray(sections, dtype=np.float64), 3, 1.0, axis=1)
    return np.asarray(sosfilt(sos, samples.astype(np.float64), axis=1), dtype=np.float32)
