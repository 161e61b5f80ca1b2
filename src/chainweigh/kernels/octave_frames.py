"""Overlapping frames by octave bands: their energies, and bands given gains and added up again."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native
from chainweigh.kernels.audibility import weighted_products
from chainweigh.kernels.ear_frames import ROW_FLOATS, turns

Floats32 = NDArray[np.float32]
Floats = NDArray[np.float64]

SPACE_ROWS = 3  # of each bin


@dataclass(frozen=True, eq=False)
class OctaveFrames:
    """How frames are taken and which bins make up each band.

    Attributes
    ----------
    window : float32, its length, a power of two from 8 on, is the frames'
    hop : from frame to frame
    loudness : float32, weight of each bin in the power, shape (length // 2 + 1,)
    first_bin, n_band_bins : int32, shape (n_bands,)
    share : float32, weights of the bins within their band, bands one after another
    """

    window: Floats32
    hop: int
    loudness: Floats32
    first_bin: NDArray[np.int32]
    n_band_bins: NDArray[np.int32]
    share: Floats32

    def n_frames(self, signal: Floats32) -> int:
        """Whole frames in one channel."""
        return (len(signal) - len(self.window)) // self.hop + 1

    @property
    def fade(self) -> Floats32:
        """The window once more, scaled so that frames whose gains are one add up to the signal."""
        overlap = float(np.sum(np.square(self.window, dtype=np.float64))) / self.hop
        return (self.window / overlap).astype(np.float32)


def octave_energies(
    reference: Floats32, candidate: Floats32, frames: OctaveFrames
) -> tuple[Floats, Floats]:
    """Band energies of two channels' frames, and the loudness power of the second's.

    Returns
    -------
    float64, shape (3, n_frames, n_bands): of the reference, the candidate, and their product's real
    part; and float64, shape (n_frames,)
    """
    if not native.compiled:
        return octave_energies_twin(reference, candidate, frames)
    sums = np.empty((3, frames.n_frames(reference), len(frames.first_bin)))
    power = np.empty(sums.shape[1])
    native.lib.cw_octave_energies(
        native.pointer(reference),
        native.pointer(candidate),
        len(power),
        *_transform(frames),
        native.pointer(frames.loudness),
        *_bands(frames),
        native.pointer(_space(frames)),
        native.pointer(sums),
        native.pointer(power),
    )
    return sums, power


def octave_energies_twin(
    reference: Floats32, candidate: Floats32, frames: OctaveFrames
) -> tuple[Floats, Floats]:
    """Defines `octave_energies`."""
    x, y = _spectra(reference, frames), _spectra(candidate, frames)
    sums = [
        [
            weighted_products(a, b, frames.share[part], first_bin=first)
            for first, part in zip(frames.first_bin, _parts(frames), strict=True)
        ]
        for a, b in ((x, x), (y, y), (x, y))
    ]
    return np.moveaxis(np.array(sums), 1, 2), weighted_products(y, y, frames.loudness)


def add_shaped(signal: Floats32, gains: Floats32, frames: OctaveFrames, out: Floats32) -> None:
    """Frames of one channel with their bands' gains, overlapped and added to `out`.

    Parameters
    ----------
    signal : whole frames
    gains : float32, shape (n_frames, n_bands)
    out : as long as the signal
    """
    if not native.compiled:
        add_shaped_twin(signal, gains, frames, out)
        return
    length = len(frames.window)
    native.lib.cw_octave_shape(
        native.pointer(signal),
        len(gains),
        *_transform(frames),
        native.pointer(gains),
        *_bands(frames),
        native.pointer(frames.fade * np.float32(2 / length)),  # the kernel's way back is not scaled
        native.pointer(_space(frames)),
        native.pointer(out),
    )


def add_shaped_twin(signal: Floats32, gains: Floats32, frames: OctaveFrames, out: Floats32) -> None:
    """Defines `add_shaped`."""
    from scipy.fft import irfft

    length = len(frames.window)
    curves = np.zeros((len(gains), length // 2 + 1), dtype=np.float32)
    for band, (first, part) in enumerate(zip(frames.first_bin, _parts(frames), strict=True)):
        share = frames.share[part]
        curves[:, first : first + len(share)] += gains[:, band, None] * share
    shaped = irfft(_spectra(signal, frames) * curves, length) * frames.fade
    for index, frame in enumerate(shaped):
        out[index * frames.hop :][:length] += frame


def _spectra(signal: Floats32, frames: OctaveFrames) -> NDArray[np.complex64]:
    from scipy.fft import rfft

    views = np.lib.stride_tricks.sliding_window_view(signal, len(frames.window))[:: frames.hop]
    return np.asarray(rfft(views * frames.window))


def _parts(frames: OctaveFrames) -> list[slice]:
    """Where each band's shares lie."""
    edges = np.concatenate([[0], np.cumsum(frames.n_band_bins)])
    return [slice(start, stop) for start, stop in pairwise(edges)]


def _transform(frames: OctaveFrames) -> tuple[object, ...]:
    length = len(frames.window)
    return frames.hop, length, native.pointer(frames.window), native.pointer(turns(length))


def _bands(frames: OctaveFrames) -> tuple[object, ...]:
    pointers = map(native.pointer, (frames.first_bin, frames.n_band_bins, frames.share))
    return *pointers, len(frames.first_bin)


def _space(frames: OctaveFrames) -> Floats32:
    return native.line_aligned(SPACE_ROWS * (len(frames.window) // 2 + 1) * ROW_FLOATS)
