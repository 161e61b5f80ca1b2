"""Saturation at an oversampled rate, in residual form: y = x + mix * D(f(Ux) - Ux)."""

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native
from chainweigh.kernels.halfband import BENDING, MARGIN_FRAMES, decimate, interpolate

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

CURVES = ("tanh", "cubic", "arctan")


def saturate(
    samples: Float32, *, ceiling: float, curve: str, bias: float, mix: float, n_stages: int
) -> Float32:
    """Bend each channel's waveform along a curve of slope 1 at nothing that flattens out.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), taken as silent before and after
    ceiling : linear amplitude the curve tends to
    curve : one of CURVES
    bias : offset into the curve as a share of the ceiling, taken off again behind it
    mix : 0 input only, 1 saturated only
    n_stages : 0 to 5; the curve works at 2**n_stages times the rate

    Notes
    -----
    Within 3e-7 of the ceiling of the twin, or of the signal where that is larger.
    """
    if not native.compiled:
        return saturate_twin(
            samples, ceiling=ceiling, curve=curve, bias=bias, mix=mix, n_stages=n_stages
        )
    out = np.empty_like(samples)
    taps, pairs = BENDING.flat
    for channel, bent in zip(samples, out, strict=True):
        native.lib.cw_saturate(
            native.pointer(channel),
            native.pointer(bent),
            len(channel),
            n_stages,
            CURVES.index(curve),
            ceiling,
            bias,
            mix,
            native.pointer(taps),
            native.pointer(pairs),
        )
    return out


def saturate_twin(
    samples: Float32, *, ceiling: float, curve: str, bias: float, mix: float, n_stages: int
) -> Float32:
    """Defines `saturate`."""
    lead = 2 * MARGIN_FRAMES
    wide = np.pad(samples, ((0, 0), (lead, lead)))
    fine = np.array([interpolate(channel, n_stages, BENDING) for channel in wide])
    added = mix * _residual(fine.astype(np.float64) / ceiling, curve, bias) * ceiling
    coarse = np.array([decimate(channel, n_stages) for channel in added])
    return np.asarray(samples + coarse[:, lead : lead + samples.shape[1]], dtype=np.float32)


def _residual(u: Float64, curve: str, bias: float) -> Float64:
    return _curve(u + bias, curve) - _curve(np.float64(bias), curve) - u


def _curve(u: Float64 | np.float64, curve: str) -> Float64:
    """Slope 1 at 0, limits +-1."""
    if curve == "tanh":
        return np.asarray(np.tanh(u))
    if curve == "arctan":
        return np.asarray(np.arctan(np.pi / 2 * u) / (np.pi / 2))
    v = np.clip(u / 1.5, -1, 1)
    return np.asarray(1.5 * (v - v**3 / 3))
