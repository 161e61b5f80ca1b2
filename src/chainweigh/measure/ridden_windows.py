"""Which parts of a programme the ridden tones ride: where its hits stand tallest, and the loudest.

A compressor lets pass what rises out of less; that is what a clip behind it meets, and it may lie
far from where the programme holds most energy.

Conventions
-----------
- Hit: a 10 ms block whose peak stands above the highest of the 0.3 s before it; its height is the
  difference of the two as amplitudes, so it must be both tall and fresh.
- Tallest hits: those within 3 dB of the tallest.
- Windows are chosen one by one and do not overlap. The first two hold as many of the tallest hits
  as any can, the loudest of those that hold as many; the others are the loudest that are left.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainweigh.measure.reference_bands import ReferenceBands

N_WINDOWS = 4
N_HIT_WINDOWS = 2
N_BEFORE_BLOCKS = 30
TALL = 10.0 ** (-3.0 / 20.0)


def ridden_windows(bands: ReferenceBands, n_blocks: int) -> list[int]:
    """First blocks of up to four windows of n_blocks, in order; none where all is silent."""
    energies = _in_windows(bands.energies.sum(axis=1), n_blocks)
    n_hits = _in_windows(_tallest_hits(bands.block_peaks_dbfs), n_blocks)
    starts: list[int] = []
    while len(starts) < N_WINDOWS and energies.max() > 0:
        if len(starts) == N_HIT_WINDOWS:
            n_hits[:] = 0
        start = int(np.argmax(np.where(n_hits == n_hits.max(), energies, 0.0)))
        starts.append(start)
        overlapping = slice(max(0, start - n_blocks + 1), start + n_blocks)
        energies[overlapping] = n_hits[overlapping] = 0
    return sorted(starts)


def _in_windows(of_blocks: NDArray[Any], n_blocks: int) -> NDArray[Any]:
    """Sum over each window of n_blocks."""
    summed = np.concatenate([[0], np.cumsum(of_blocks)])
    return np.asarray(summed[n_blocks:] - summed[:-n_blocks])


def _tallest_hits(block_peaks_dbfs: NDArray[np.float64]) -> NDArray[np.bool_]:
    peaks = 10.0 ** (block_peaks_dbfs / 20.0)
    before = np.pad(peaks, (N_BEFORE_BLOCKS, 0))[:-1]
    highest = np.lib.stride_tricks.sliding_window_view(before, N_BEFORE_BLOCKS).max(axis=1)
    heights = peaks - highest
    return np.asarray(heights >= TALL * heights.max())
