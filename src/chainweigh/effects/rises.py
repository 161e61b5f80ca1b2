"""Where a sound's level rises: what the effects that treat hits go by, and the gain they apply.

The level is the largest magnitude over both sides in the 25 ms past, so that a tone of 20 Hz or
more holds it still. A follower sinks with it at once and rises with a time constant; how far the
level stands above the follower is the rise: large as a hit begins, nothing while a sound is held or
dies away. All of it runs in steps of a third of a millisecond.

References
----------
Onset detection by comparing a fast with a slow envelope: J. P. Bello et al., "A tutorial on onset
detection in music signals", IEEE Trans. Speech Audio Process. 13(5), 2005, section III.
"""

from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples

Float64 = NDArray[np.float64]

HOLD_MS = 25.0
STEPS_PER_S = 3000
LOOK_AHEAD_MS = 1.0


def step_frames(sample_rate_hz: int) -> int:
    """Frames a step."""
    return max(1, round(sample_rate_hz / STEPS_PER_S))


def n_steps_of(time_ms: float, sample_rate_hz: int) -> int:
    """Whole steps nearest to a time, at least one."""
    return max(1, round(time_ms / 1000 * sample_rate_hz / step_frames(sample_rate_hz)))


def level_rise_db(samples: Samples, sample_rate_hz: int, *, settle_ms: float) -> Float64:
    """How far the level of each step stands above its follower, in dB; 0 in digital silence.

    Parameters
    ----------
    samples : shape (n_channels, n_frames)
    settle_ms : time constant (63 %) with which the follower rises
    """
    level = _held_level(samples, sample_rate_hz)
    share = 1 - np.exp(-step_frames(sample_rate_hz) / (settle_ms / 1000 * sample_rate_hz))
    follower = np.fromiter(
        accumulate(level.tolist(), lambda s, x: x if x < s else s + share * (x - s), initial=0.0),
        np.float64,
    )[1:]
    heard = level > 0
    ratio = np.divide(level, follower, out=np.ones_like(level), where=heard)
    return np.asarray(20 * np.log10(ratio))


def _held_level(samples: Samples, sample_rate_hz: int) -> Float64:
    """Largest magnitude of each step and of those up to 25 ms before."""
    from scipy.ndimage import maximum_filter1d

    step = step_frames(sample_rate_hz)
    magnitude = np.abs(samples).max(axis=0)
    wide = np.pad(magnitude, (0, -len(magnitude) % step))
    peaks = wide.reshape(-1, step).max(axis=1).astype(np.float64)
    n_held = n_steps_of(HOLD_MS, sample_rate_hz)
    held = maximum_filter1d(peaks, n_held, origin=(n_held - 1) // 2, mode="constant")
    return np.asarray(held)


def arriving_early(weights: Float64, sample_rate_hz: int) -> Float64:
    """Weights of steps, each rise brought forward by 1 ms and smoothed over as much."""
    n = n_steps_of(LOOK_AHEAD_MS, sample_rate_hz)
    wide = np.pad(weights, (n - 1, n), mode="edge")
    length = len(weights) + n - 1
    held = np.maximum.reduce([wide[i : i + length] for i in range(n + 1)])
    return np.asarray(sum(held[i : i + len(weights)] for i in range(n)) / n)


def apply_step_gains(samples: Samples, sample_rate_hz: int, gains: Float64) -> Samples:
    """Multiply by linear gains that hold on the last frame of their step, joined by lines."""
    step = step_frames(sample_rate_hz)
    knots = np.concatenate([gains[:1], gains])[:, np.newaxis]
    share = np.arange(1, step + 1) / step
    lines = (knots[:-1] + (knots[1:] - knots[:-1]) * share).astype(np.float32)
    return np.asarray(samples * lines.ravel()[: samples.shape[1]])
