"""What a difference of two signals holds: its energy, and its products with a few waveforms."""

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native

Floats32 = NDArray[np.float32]
Floats = NDArray[np.float64]

LANES = 8


def side_by_side(waveforms: Floats32) -> Floats32:
    """Waveforms, shape (block_frames, n), as `residual_sums` takes them, silent ones behind."""
    block, n = waveforms.shape
    n_groups = -(-n // LANES)
    groups = native.line_aligned(n_groups * block * LANES).reshape(n_groups, block, LANES)
    padded = np.pad(waveforms, ((0, 0), (0, n_groups * LANES - n)))
    groups[:] = np.moveaxis(padded.reshape(block, n_groups, LANES), 1, 0)
    return groups


def residual_sums(
    fitted: Floats32, candidate: Floats32, waveforms: Floats32
) -> tuple[Floats, Floats]:
    """Energies of one channel and its residual, and their products with waveforms, block by block.

    Parameters
    ----------
    fitted, candidate : float32, shape (n_frames,)
    waveforms : float32, shape (n_groups, block_frames, 8), blocks of whole 64 frames; from
        `side_by_side`

    Returns
    -------
    float64, shape (3,): energies of fitted, candidate and candidate minus fitted; and float64,
    shape (2, n_blocks, 8 n_groups): of that difference and of the candidate with each waveform,
    silence behind the last frame
    """
    if not native.compiled:
        return residual_sums_twin(fitted, candidate, waveforms)
    n_groups, block, _ = waveforms.shape
    energies = np.empty(3)
    products = np.zeros((2, -(-len(candidate) // block), LANES * n_groups))
    native.lib.cw_residual_sums(
        native.pointer(fitted),
        native.pointer(candidate),
        len(candidate),
        block,
        native.pointer(waveforms),
        n_groups,
        native.pointer(energies),
        native.pointer(products),
    )
    return energies, products


def residual_sums_twin(
    fitted: Floats32, candidate: Floats32, waveforms: Floats32
) -> tuple[Floats, Floats]:
    """Defines `residual_sums`."""
    left = candidate - fitted
    energies = [np.square(x, dtype=np.float64).sum() for x in (fitted, candidate, left)]
    n_groups, block, _ = waveforms.shape
    columns = np.moveaxis(waveforms, 0, 1).reshape(block, n_groups * LANES)
    blocks = [np.pad(x, (0, -len(x) % block)).reshape(-1, block) for x in (left, candidate)]
    return np.array(energies), np.array(blocks, dtype=np.float64) @ columns.astype(np.float64)
