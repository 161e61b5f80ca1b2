"""Clip at an oversampled rate, in residual form: y = x + D(clip(Ux) - Ux)."""

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native
from chainweigh.kernels.halfband import (
    BENDING,
    MARGIN_FRAMES,
    block_peaks,
    decimate,
    interpolate,
    oversampling_bound,
)

Float32 = NDArray[np.float32]


def clip(
    samples: Float32, *, ceiling: float, threshold: float, n_stages: int, linked: bool
) -> Float32:
    """Bend each channel's waveform from threshold on so that it never passes the ceiling.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), taken as silent before and after
    ceiling, threshold : linear amplitude; below threshold nothing changes. Equal: a hard corner
    n_stages : 0 to 5; the bend works at 2**n_stages times the rate
    linked : two channels share the gain that the louder one needs at each instant

    Returns
    -------
    Shape of samples. Frames further than 42 frames from anything above the threshold are those of
    the input, bit for bit.
    """
    if not native.compiled:
        return clip_twin(
            samples, ceiling=ceiling, threshold=threshold, n_stages=n_stages, linked=linked
        )
    out = np.empty_like(samples)
    bound = oversampling_bound(BENDING, max(n_stages, 1))
    bounds = [bound.of(block_peaks(channel)) for channel in samples]
    groups = (
        [slice(0, 2)]
        if linked and len(samples) == 2
        else [slice(c, c + 1) for c in range(len(samples))]
    )
    taps, pairs = BENDING.flat
    for group in groups:
        allowed = np.maximum.reduce(bounds[group])
        native.lib.cw_clip(
            native.pointer(samples[group]),
            native.pointer(out[group]),
            len(samples[group]),
            samples.shape[1],
            native.pointer(allowed),
            len(allowed),
            ceiling,
            threshold,
            n_stages,
            native.pointer(taps),
            native.pointer(pairs),
        )
    return out


def clip_twin(
    samples: Float32, *, ceiling: float, threshold: float, n_stages: int, linked: bool
) -> Float32:
    """Defines `clip`: all of it, without pruning."""
    top, start = np.float32(ceiling), np.float32(threshold)
    if n_stages == 0:
        return np.asarray(np.clip(samples + _residual(samples, top, start, linked), -top, top))
    wide = np.pad(samples, ((0, 0), (2 * MARGIN_FRAMES, 2 * MARGIN_FRAMES)))
    fine = np.array([interpolate(channel, n_stages, BENDING) for channel in wide], dtype=np.float32)
    added = _residual(fine, top, start, linked)
    coarse = np.array([decimate(channel, n_stages) for channel in added], dtype=np.float32)
    return np.asarray(samples + coarse[:, 2 * MARGIN_FRAMES :][:, : samples.shape[1]])


def _residual(signal: Float32, ceiling: np.float32, threshold: np.float32, linked: bool) -> Float32:
    """What the clip adds to a signal, sample by sample."""
    level = np.abs(signal)
    if not (linked and len(signal) == 2):
        return np.where(signal < 0, 1, -1).astype(np.float32) * _reduction(
            level, ceiling, threshold
        )
    level = level.max(axis=0)
    share = signal / np.maximum(level, np.float32(1e-30))
    return np.asarray(-share * _reduction(level, ceiling, threshold))


def _reduction(level: Float32, ceiling: np.float32, threshold: np.float32) -> Float32:
    """What a magnitude loses: a parabola from threshold on, then all above the ceiling."""
    half = ceiling - threshold
    top = ceiling + half
    curve = np.float32(0.25) / half if half > 0 else np.float32(0)
    bent = np.clip(level - threshold, np.float32(0), top - threshold)
    return np.asarray(curve * (bent * bent) + np.maximum(level - top, np.float32(0)))
