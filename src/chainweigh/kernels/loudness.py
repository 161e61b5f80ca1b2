"""Energies of 10 ms hops: K-weighted for loudness, plain for levels.

Hop k spans the frames from round(k rate / 100) to round((k + 1) rate / 100). Where 100 divides the
rate all hops are equal (441 at 44.1 kHz, 480 at 48 kHz). At other rates their lengths differ by one
frame, but no error adds up: any run of hops lasts as long as it says, to the nearest sample.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native

HOPS_PER_SECOND = 100


class HopLevels(NamedTuple):
    """Sum, sum of squares and largest |sample| of each hop, each of shape (n_channels, n_hops).

    The signal's end may cut the last hop short.
    """

    sums: NDArray[np.float64]
    squares: NDArray[np.float64]
    peaks: NDArray[np.float32]


def count_hops(n_frames: int, sample_rate_hz: int) -> int:
    """Number of complete hops in n_frames."""
    return (HOPS_PER_SECOND * n_frames + HOPS_PER_SECOND // 2 - 1) // sample_rate_hz


def hop_edges(n_hops: int, sample_rate_hz: int) -> NDArray[np.int64]:
    """Frames at which the hops begin, and where the last one ends: n_hops + 1 values."""
    hops = np.arange(n_hops + 1, dtype=np.int64)
    return (hops * sample_rate_hz + HOPS_PER_SECOND // 2) // HOPS_PER_SECOND


def k_weighting(sample_rate_hz: float) -> NDArray[np.float64]:
    """Sections of the K-weighting filter at any rate, rows b0 b1 b2 a1 a2 with a0 = 1.

    Notes
    -----
    ITU-R BS.1770-5 Annex 1 tabulates 48 kHz only. The analogue prototypes behind those tables go
    through the bilinear transform; the result equals the tables to 1e-14. The high-pass keeps the
    numerator 1 -2 1 of Table 2 at every rate, as other meters do, so its pass-band gain shifts a
    little: against 48 kHz by +0.004 dB at 44.1 kHz, -0.022 dB at 96 kHz, -0.033 dB at 192 kHz.
    """
    tangent = math.tan(math.pi * 1681.974450955533 / sample_rate_hz)
    damping = tangent / 0.7071752369554196
    high = 10.0 ** (3.999843853973347 / 20.0)
    band = high**0.4996667741545416
    scale = 1.0 + damping + tangent**2
    shelf = [
        (high + band * damping + tangent**2) / scale,
        2.0 * (tangent**2 - high) / scale,
        (high - band * damping + tangent**2) / scale,
        2.0 * (tangent**2 - 1.0) / scale,
        (1.0 - damping + tangent**2) / scale,
    ]
    tangent = math.tan(math.pi * 38.13547087602444 / sample_rate_hz)
    damping = tangent / 0.5003270373238773
    scale = 1.0 + damping + tangent**2
    high_pass = [
        1.0,
        -2.0,
        1.0,
        2.0 * (tangent**2 - 1.0) / scale,
        (1.0 - damping + tangent**2) / scale,
    ]
    return np.array([shelf, high_pass])


def hop_energies(samples: NDArray[np.float32], sample_rate_hz: int) -> NDArray[np.float64]:
    """Sum of squares of the K-weighted signal in each complete hop.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), float32, finite
    sample_rate_hz : int

    Returns
    -------
    Energies, shape (n_channels, n_hops); an incomplete last hop is dropped. Equal to the twin
    within 1e-12 of the hop's energy, down to energies of 1e-50.
    """
    if not native.compiled:
        return hop_energies_twin(samples, sample_rate_hz)
    n_channels, n_frames = samples.shape
    energies = np.empty((n_channels, count_hops(n_frames, sample_rate_hz)))
    sections = k_weighting(sample_rate_hz)
    for channel in range(n_channels):
        native.lib.cw_hop_energies(
            native.pointer(samples[channel]),
            n_frames,
            sample_rate_hz,
            native.pointer(sections),
            energies.shape[1],
            native.pointer(energies[channel]),
        )
    return energies


def hop_energies_twin(samples: NDArray[np.float32], sample_rate_hz: int) -> NDArray[np.float64]:
    """Defines `hop_energies` with scipy.signal.sosfilt."""
    from scipy.signal import sosfilt

    edges = hop_edges(count_hops(samples.shape[1], sample_rate_hz), sample_rate_hz)
    sos = np.insert(k_weighting(sample_rate_hz), 3, 1.0, axis=1)
    if len(edges) == 1:
        return np.empty((len(samples), 0))
    weighted = sosfilt(sos, samples[:, : edges[-1]].astype(np.float64))
    return np.asarray(np.add.reduceat(weighted**2, edges[:-1], axis=1))


def hop_levels(samples: NDArray[np.float32], sample_rate_hz: int) -> HopLevels:
    """Sum, sum of squares and largest |sample| of each hop, in one pass.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), float32, finite
    sample_rate_hz : int
    """
    if not native.compiled:
        return hop_levels_twin(samples, sample_rate_hz)
    n_channels, n_frames = samples.shape
    shape = (n_channels, len(_covering_edges(n_frames, sample_rate_hz)) - 1)
    levels = HopLevels(np.empty(shape), np.empty(shape), np.empty(shape, dtype=np.float32))
    for channel in range(n_channels):
        native.lib.cw_hop_levels(
            native.pointer(samples[channel]),
            n_frames,
            sample_rate_hz,
            shape[1],
            *(native.pointer(values[channel]) for values in levels),
        )
    return levels


def hop_levels_twin(samples: NDArray[np.float32], sample_rate_hz: int) -> HopLevels:
    """Defines `hop_levels` with numpy."""
    starts = _covering_edges(samples.shape[1], sample_rate_hz)[:-1]
    if not starts.size:
        empty = np.empty((len(samples), 0))
        return HopLevels(empty, empty, empty.astype(np.float32))
    wide = samples.astype(np.float64)
    return HopLevels(
        np.add.reduceat(wide, starts, axis=1),
        np.add.reduceat(wide**2, starts, axis=1),
        np.maximum.reduceat(np.abs(samples), starts, axis=1),
    )


def _covering_edges(n_frames: int, sample_rate_hz: int) -> NDArray[np.int64]:
    """Edges of the complete hops, and of a shorter last one where frames are left over."""
    edges = hop_edges(count_hops(n_frames, sample_rate_hz), sample_rate_hz)
    return edges if edges[-1] == n_frames else np.append(edges, n_frames)
