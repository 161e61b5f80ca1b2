"""Peak, RMS, crest factor and DC offset; peak-to-loudness ratios.

Conventions
-----------
RMS is given twice: plain, in dB re 1.0, where a full-scale sine reads -3.01, and in dBFS as AES17
defines it, where that sine reads 0. Over several channels it is the root of the mean of their
powers, so that one silent channel of two takes 3.01 dB. Peaks are the largest of any channel.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_samples, to_db
from chainweigh.kernels.loudness import count_hops, hop_edges, hop_levels
from chainweigh.measure.loudness import (
    HOP_MS,
    SILENT,
    TOO_SHORT,
    check_whole_rate,
    sliding_sum,
)

AES17_SINE_DB = 10.0 * math.log10(2.0)
RMS_WINDOW_MS = 300

FIELDS_IN_DB = ("sample_peak_dbfs", "rms_db", "rms_aes17_dbfs", "rms_max_300ms_db", "crest_db")
NO_FRAMES = "no frames"

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Levels:
    """Levels of a programme; a field that is None has its reason in `undefined`."""

    sample_peak_dbfs: float | None
    rms_db: float | None
    rms_aes17_dbfs: float | None
    rms_max_300ms_db: float | None
    crest_db: float | None
    dc_offset: tuple[float | None, ...]
    undefined: Mapping[str, str] = field(default_factory=dict)


def measure_levels(samples: Samples, sample_rate_hz: int) -> Levels:
    """Sample peak, RMS, largest 300 ms RMS and crest factor in dB, DC offset re full scale.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), float32; 1 or 2 channels
    sample_rate_hz : int

    Returns
    -------
    Levels. `crest_db` is sample peak over plain RMS, `rms_max_300ms_db` the plain RMS of the
    loudest 300 ms window at a 10 ms hop, `dc_offset` each channel's mean (linear, signed).

    Raises
    ------
    SignalError
        Samples that break the array convention; a rate that is out of range or not whole.

    Notes
    -----
    In digital silence the values in dB are None. So is the 300 ms maximum of anything shorter.
    Sums accumulate in float64, in one pass.

    References
    ----------
    AES17 for dBFS of RMS levels (from memory). The 300 ms window is common practice, no source.
    """
    check_samples(samples)
    check_whole_rate(sample_rate_hz)
    n_channels, n_frames = samples.shape
    if not n_frames:
        reasons = dict.fromkeys((*FIELDS_IN_DB, "dc_offset"), NO_FRAMES)
        return Levels(None, None, None, None, None, (None,) * n_channels, reasons)
    hops = hop_levels(samples, int(sample_rate_hz))
    peak = float(hops.peaks.max())
    power = float(hops.squares.sum()) / samples.size
    loudest = _largest_window_power(hops.squares.mean(axis=0), n_frames, int(sample_rate_hz))
    return _levels(peak, power, loudest, tuple(map(float, hops.sums.sum(axis=1) / n_frames)))


def plr_db(true_peak_dbtp: float | None, integrated_lufs: float | None) -> float | None:
    """Peak-to-loudness ratio in dB: true peak less integrated loudness; None if either is.

    References
    ----------
    EBU Tech 3343, "difference between loudness level and peak level".
    """
    if true_peak_dbtp is None or integrated_lufs is None or not math.isfinite(true_peak_dbtp):
        return None
    return true_peak_dbtp - integrated_lufs


def _largest_window_power(hop_squares: Floats, n_frames: int, sample_rate_hz: int) -> float | None:
    """Mean square of the loudest 300 ms; None in a shorter signal."""
    n_hops, n_window = count_hops(n_frames, sample_rate_hz), RMS_WINDOW_MS // HOP_MS
    if n_hops < n_window:
        return None
    edges = hop_edges(n_hops, sample_rate_hz)
    sums = sliding_sum(hop_squares[:n_hops], n_window)
    return float((sums / (edges[n_window:] - edges[:-n_window])).max())


def _levels(
    peak: float, power: float, loudest_power: float | None, dc_offset: tuple[float, ...]
) -> Levels:
    undefined = {}
    if not loudest_power:
        # A window can be silent though the signal is not: only its incomplete last hop sounds.
        short = loudest_power is None
        undefined["rms_max_300ms_db"] = TOO_SHORT.format(RMS_WINDOW_MS) if short else SILENT
    if peak == 0.0:
        undefined = {**dict.fromkeys(FIELDS_IN_DB, SILENT), **undefined}
        return Levels(None, None, None, None, None, dc_offset, undefined)
    rms_db = to_db(math.sqrt(power))
    return Levels(
        sample_peak_dbfs=to_db(peak),
        rms_db=rms_db,
        rms_aes17_dbfs=rms_db + AES17_SINE_DB,
        rms_max_300ms_db=to_db(math.sqrt(loudest_power)) if loudest_power else None,
        crest_db=to_db(peak) - rms_db,
        dc_offset=dc_offset,
        undefined=undefined,
    )
