"""Frames of a reference and a candidate in the bands of the ear model, and what changed in each."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native
from chainweigh.kernels.audibility import (
    BandGrouping,
    band_energies_twin,
    band_noise,
    weighted_products,
)

Floats32 = NDArray[np.float32]
Spectra = NDArray[np.complex64]

ROW_FLOATS = 16  # a bin of the eight frames that the kernel takes side by side
SPACE_ROWS = 9  # of each bin


@dataclass(frozen=True, eq=False)
class EarFrames:
    """What `ear_frames` finds.

    Attributes
    ----------
    bands : float32, shape (n_signals, n_frames, n_bands), energies of the reference
    noise : the same shape, energies of the difference of magnitudes
    power : float64, shape (2, n_frames), weighted power of the reference, then the candidate
    """

    bands: Floats32
    noise: Floats32
    power: NDArray[np.float64]


def ear_frames(
    reference: Floats32,
    candidate: Floats32,
    *,
    window: Floats32,
    hop: int,
    loudness: Floats32,
    grouping: BandGrouping,
) -> EarFrames:
    """Whole frames of two signals transformed and grouped; of stereo mid and side too.

    Parameters
    ----------
    reference, candidate : shape (1 or 2, n_frames), rows contiguous
    window : its length, a power of two from 8 on, is the frames'
    hop : from frame to frame
    loudness : weight of each bin in the power, summed over channels
    grouping : the bands

    Notes
    -----
    Signals: the channels, then half their sum and half their difference. Band energies are at
    least 1e-12. Equals the twin to the rounding of float32 transforms.
    """
    if not native.compiled:
        return ear_frames_twin(
            reference, candidate, window=window, hop=hop, loudness=loudness, grouping=grouping
        )
    length, n_bins = len(window), len(window) // 2 + 1
    n_frames = (reference.shape[1] - length) // hop + 1
    shape = (4 if len(reference) == 2 else 1, n_frames, len(grouping.first_bin))
    bands, noise = np.empty(shape, np.float32), np.empty(shape, np.float32)
    power = np.empty((2, n_frames))
    space = native.line_aligned(SPACE_ROWS * n_bins * ROW_FLOATS)
    native.lib.cw_ear_frames(
        *_channels(reference),
        *_channels(candidate),
        n_frames,
        hop,
        length,
        *map(native.pointer, (window, turns(length), loudness)),
        *map(native.pointer, (grouping.bin_weight, grouping.first_bin, grouping.n_band_bins)),
        native.pointer(grouping.share),
        shape[2],
        *map(native.pointer, (space, bands, noise, power)),
    )
    return EarFrames(bands, noise, power)


def ear_frames_twin(
    reference: Floats32,
    candidate: Floats32,
    *,
    window: Floats32,
    hop: int,
    loudness: Floats32,
    grouping: BandGrouping,
) -> EarFrames:
    """Defines `ear_frames`."""
    was, now = (_signals(side, window, hop) for side in (reference, candidate))
    channels = slice(0, len(reference))
    return EarFrames(
        np.stack([band_energies_twin(each, grouping) for each in was]),
        np.stack([band_noise(a, b, grouping) for a, b in zip(was, now, strict=True)]),
        np.stack(
            [
                np.sum([weighted_products(s, s, loudness) for s in side[channels]], axis=0)
                for side in (was, now)
            ]
        ),
    )


def _signals(samples: Floats32, window: Floats32, hop: int) -> Spectra:
    from scipy.fft import rfft

    frames = np.lib.stride_tricks.sliding_window_view(samples, len(window), axis=1)[:, ::hop]
    spectra = rfft(frames * window)
    if len(spectra) == 2:
        left, right = spectra
        half = np.float32(0.5)
        spectra = np.stack([left, right, (left + right) * half, (left - right) * half])
    return np.asarray(spectra)


@lru_cache(maxsize=8)
def turns(length: int) -> Floats32:
    """Cosine and sine, in turn, of each step of minus one turn in so many."""
    roots = np.exp(-2j * np.pi * np.arange(length) / length)
    return np.stack([roots.real, roots.imag], axis=1).astype(np.float32)


def _channels(samples: Floats32) -> tuple[object, object]:
    pointers = [native.pointer(channel) for channel in samples]
    return pointers[0], pointers[1] if len(pointers) == 2 else native.ffi.NULL
