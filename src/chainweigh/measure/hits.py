"""The level of a programme's hits: what a ceiling is set against, steadier than one sample."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, to_db
from chainweigh.measure.frames import faded_window
from chainweigh.measure.onsets import find_onsets
from chainweigh.measure.sections import loudest_section
from chainweigh.measure.true_peak import true_peak as precise_true_peak

PeakMeter = Callable[[Samples, int], float]

BEFORE_S = 0.002  # an onset's time may err by this much
FEWEST_ONSETS = 4  # the loudest quarter of fewer is a single one
BLOCK_S = 0.4
LOUDEST_SHARE = 0.25


@dataclass(frozen=True)
class HitsLevel:
    """Level of the loudest hits, None in silence; `from_blocks` where blocks stand in for hits."""

    level_dbfs: float | None
    from_blocks: bool


def measure_hits(
    samples: Samples, sample_rate_hz: int, true_peak: PeakMeter = precise_true_peak
) -> HitsLevel:
    """Median true peak in dBFS of the loudest quarter of hits in the loudest section.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), float32; 1 or 2 channels
    sample_rate_hz : int
    true_peak : meter that takes samples and rate and returns a linear true peak

    Returns
    -------
    HitsLevel
        Level in dB re full scale, and whether it was read from hits.

    Raises
    ------
    SignalError
        Samples or rate break the convention.

    Notes
    -----
    The section is the 10 s of most K-weighted energy, and onsets are found in it alone. A hit lasts
    from 2 ms before its onset to the next hit, so that a slow attack is heard out; its peak is the
    largest true peak over channels. The quarter with the largest peaks counts, rounded up. Where
    the section has fewer than 4 onsets, as in a pad or a drone, its blocks of 400 ms that are not
    silent take the place of hits. A gain moves the level by as much. About 40 ms for a song of
    30 s.
    """
    start_s, end_s = loudest_section(samples, sample_rate_hz)
    first, end = round(start_s * sample_rate_hz), round(end_s * sample_rate_hz)
    section = np.ascontiguousarray(samples[:, first:end])
    onsets = np.round(find_onsets(section, sample_rate_hz).times_s * sample_rate_hz)
    n_frames = section.shape[1]
    from_blocks = onsets.size < FEWEST_ONSETS
    if not from_blocks:
        starts = np.maximum(onsets.astype(np.int64) - round(BEFORE_S * sample_rate_hz), 0)
    else:
        starts = np.arange(0, n_frames, round(BLOCK_S * sample_rate_hz))
    ends = np.append(starts[1:], n_frames)[: starts.size]
    peaks = np.array(
        [
            true_peak(faded_window(section, start, stop), sample_rate_hz)
            for start, stop in zip(starts, ends, strict=True)
        ]
    )
    return HitsLevel(_loudest_quarter_dbfs(peaks[peaks > 0]), from_blocks)


def _loudest_quarter_dbfs(peaks: NDArray[np.float64]) -> float | None:
    if not peaks.size:
        return None
    loudest = np.sort(peaks)[-int(np.ceil(LOUDEST_SHARE * peaks.size)) :]
    return to_db(float(np.median(loudest)))
