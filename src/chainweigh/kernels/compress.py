"""Feed-forward compressor: level, soft-knee curve, look-ahead, smooth decoupled ballistics, gain.

References
----------
D. Giannoulis, M. Massberg, J. D. Reiss: Digital Dynamic Range Compressor Design, a Tutorial and
Analysis. Journal of the Audio Engineering Society 60(6), 2012.
"""

from dataclasses import dataclass
from itertools import accumulate
from math import exp, floor, log2, sqrt

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native
from chainweigh.kernels.biquad import bilinear_section, filter_sections, filter_sections_twin

DB_PER_OCTAVE = 20.0 * float(np.log10(2.0))
FLOOR = 1e-30  # relative to the threshold; keeps the logarithm finite, far below every knee


@dataclass(frozen=True)
class Compression:
    """What a compressor does.

    Attributes
    ----------
    threshold_dbfs : level where reduction starts (with a knee: the knee's centre), dB re 1.0
    ratio : input change over output change above the knee; 1 or more, may be infinite
    knee_db : width of the soft knee, 0 for a corner
    attack_ms : time constant of rising reduction (63.2 %), 0 for at once
    release_ms : time constant of falling reduction (63.2 %), 0 for at once
    rms : True detects the root of an exponential mean square, False the magnitude
    averaging_ms : time constant of that mean square
    lookahead_ms : how much earlier than its cause reduction starts; it is held until then
    detector_low_cut_hz : corner of a 12 dB/oct high-pass before the detector, 0 for none
    link : 0 each side by itself, 1 both sides by the greater reduction
    mix : 0 input only, 1 compressed only
    """

    threshold_dbfs: float
    ratio: float
    knee_db: float
    attack_ms: float
    release_ms: float
    rms: bool = False
    averaging_ms: float = 10.0
    lookahead_ms: float = 0.0
    detector_low_cut_hz: float = 0.0
    link: float = 1.0
    mix: float = 1.0


def per_frame_factor(time_constant_ms: float, sample_rate_hz: float) -> float:
    """Factor a frame of a one-pole smoother that settles by 63.2 % in the time constant."""
    n_frames = time_constant_ms * 1e-3 * sample_rate_hz
    return exp(-1.0 / n_frames) if n_frames > 0 else 0.0


def compress_samples(
    samples: NDArray[np.float32], sample_rate_hz: float, *, compression: Compression
) -> NDArray[np.float32]:
    """Compress one or two channels from rest.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), float32, 1 or 2 channels

    Returns
    -------
    Compressed samples, same shape. A frame without reduction is its input bit for bit.

    Raises
    ------
    ValueError
        Neither one nor two channels.

    Notes
    -----
    Linked sides are detected together. In between (`0 < link < 1`) each side's reduction in dB
    moves towards the greater one by that share. Mono equals each side of two equal sides.
    Release is felt as release plus attack, since the attack also smooths the falling reduction.
    Gain is within 0.00005 dB of the twin (float32 curve, float64 states). Reduction below
    6e-10 dB becomes zero.
    """
    if len(samples) not in (1, 2):
        raise ValueError(f"{len(samples)} channels to compress; 1 or 2 are allowed")
    if not native.compiled:
        return compress_samples_twin(samples, sample_rate_hz, compression=compression)
    out = np.empty_like(samples)
    last = len(samples) - 1
    key = samples
    if compression.detector_low_cut_hz > 0:
        key = filter_sections(samples, _low_cut(compression, sample_rate_hz))
    ready = native.lib.cw_compress(
        native.pointer(samples[0]),
        native.pointer(samples[last]),
        native.pointer(out[0]),
        native.pointer(out[last]),
        native.pointer(key[0]),
        native.pointer(key[last]),
        samples.shape[1],
        native.pointer(_kernel_settings(compression, sample_rate_hz)),
        _lookahead_frames(compression, sample_rate_hz),
        compression.rms,
        last == 0 or compression.link == 1.0,
    )
    if not ready:
        raise MemoryError("no memory for the compressor's look-ahead")
    return out


def _lookahead_frames(c: Compression, sample_rate_hz: float) -> int:
    return floor(c.lookahead_ms * 1e-3 * sample_rate_hz + 0.5)


def _low_cut(c: Compression, sample_rate_hz: float) -> NDArray[np.float64]:
    prototype = (0.0, 0.0, 1.0), (1.0, sqrt(2.0), 1.0)
    return np.array([bilinear_section(*prototype, c.detector_low_cut_hz, sample_rate_hz)])


def _kernel_settings(c: Compression, sample_rate_hz: float) -> NDArray[np.float64]:
    return np.array(
        [
            10.0 ** (-c.threshold_dbfs / 20.0),
            1.0 - 1.0 / c.ratio,
            c.knee_db / DB_PER_OCTAVE,
            per_frame_factor(c.attack_ms, sample_rate_hz),
            per_frame_factor(c.release_ms, sample_rate_hz),
            per_frame_factor(c.averaging_ms, sample_rate_hz),
            c.link,
            c.mix,
        ]
    )


def reduction_db(level_dbfs: NDArray[np.float64], compression: Compression) -> NDArray[np.float64]:
    """Static curve: reduction in dB, 0 or more, at each level."""
    c = compression
    over_db = level_dbfs - c.threshold_dbfs
    in_knee_db = np.clip(over_db + c.knee_db / 2, 0.0, c.knee_db)
    of_knee_db = in_knee_db**2 / (2 * c.knee_db) if c.knee_db > 0 else 0.0
    return (1 - 1 / c.ratio) * (of_knee_db + np.maximum(over_db - c.knee_db / 2, 0.0))


def smoothed_db(
    wanted_db: NDArray[np.float64], compression: Compression, sample_rate_hz: float
) -> NDArray[np.float64]:
    """Smooth decoupled ballistics over one channel's wanted reduction, from rest."""
    attack = per_frame_factor(compression.attack_ms, sample_rate_hz)
    release = per_frame_factor(compression.release_ms, sample_rate_hz)
    held = accumulate(
        wanted_db.tolist(),
        lambda kept, wanted: max(wanted, release * kept + (1 - release) * wanted),
        initial=0.0,
    )
    smooth = accumulate(held, lambda kept, target: attack * kept + (1 - attack) * target)
    return np.fromiter(smooth, np.float64)[1:]


def compress_samples_twin(
    samples: NDArray[np.float32], sample_rate_hz: float, *, compression: Compression
) -> NDArray[np.float32]:
    """Defines `compress_samples` with numpy."""
    c, n_ahead = compression, _lookahead_frames(compression, sample_rate_hz)
    wanted_db = reduction_db(_levels_dbfs(samples, sample_rate_hz, c), c)
    wanted_db += c.link * (wanted_db.max(axis=0) - wanted_db)
    wanted_db = np.pad(wanted_db, ((0, 0), (n_ahead, 0)))
    ahead = np.lib.stride_tricks.sliding_window_view(
        np.pad(wanted_db, ((0, 0), (0, n_ahead))), n_ahead + 1, axis=1
    ).max(axis=2, initial=0.0)
    smooth_db = np.array([smoothed_db(channel, c, sample_rate_hz)[n_ahead:] for channel in ahead])
    gain = 1.0 - c.mix + c.mix * 10.0 ** (-smooth_db / 20.0)
    return np.asarray(samples * gain, dtype=np.float32)


def _levels_dbfs(
    samples: NDArray[np.float32], sample_rate_hz: float, c: Compression
) -> NDArray[np.float64]:
    if c.detector_low_cut_hz > 0:
        samples = filter_sections_twin(samples, _low_cut(c, sample_rate_hz))
    level = np.abs(samples.astype(np.float64))
    if c.rms:
        share = 1.0 - per_frame_factor(c.averaging_ms, sample_rate_hz)
        level = np.sqrt([_averaged(channel**2, share) for channel in level])
    floor_dbfs = c.threshold_dbfs + DB_PER_OCTAVE * log2(FLOOR)
    return np.asarray(20.0 * np.log10(np.maximum(level, 10.0 ** (floor_dbfs / 20.0))))


def _averaged(power: NDArray[np.float64], share: float) -> NDArray[np.float64]:
    kept = accumulate(power.tolist(), lambda mean, x: mean + share * (x - mean), initial=0.0)
    return np.fromiter(kept, np.float64)[1:]
