"""Noise a process adds: beside a quiet tone, and with nothing going in."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from chainweigh.audio.array import Samples, from_db
from chainweigh.measure.coherent import (
    SegmentPlan,
    audio_band,
    nearest_odd_bin,
    power_spectra,
    unit_sine,
)
from chainweigh.measure.tones import PEAK_TONE_HZ

TONE_DBFS = -60.0
SILENT = "the output is digital silence"


@dataclass(frozen=True)
class Noise:
    """Levels from 20 Hz to 20 kHz in dBFS; None in digital silence, which has no level.

    Attributes
    ----------
    noise_dbfs : all but the tone, with 997 Hz at -60 dBFS going in
    idle_noise_dbfs : with digital silence going in
    """

    noise_dbfs: float | None
    idle_noise_dbfs: float | None
    undefined: Mapping[str, str] = field(default_factory=dict)


def measure_noise(run: Callable[[Samples], Samples], sample_rate_hz: int) -> Noise:
    """Noise of a process in dB re the RMS of a full-scale sine, unweighted.

    Parameters
    ----------
    run : callable
        From samples of shape (1, n_frames) to samples of at least that length, aligned in time;
        of two channels the mean power is taken.

    Notes
    -----
    Float32 itself reads about -210 dBFS beside the tone.

    References
    ----------
    AES17, noise in the presence of a signal at -60 dBFS and idle channel noise, here unweighted
    (clauses from memory).
    """
    k = nearest_odd_bin(PEAK_TONE_HZ, sample_rate_hz)
    levels = {
        "noise_dbfs": _level_dbfs(run, sample_rate_hz, k, from_db(TONE_DBFS)),
        "idle_noise_dbfs": _level_dbfs(run, sample_rate_hz, k, 0.0),
    }
    silent = [name for name, level in levels.items() if level is None]
    return Noise(**levels, undefined=dict.fromkeys(silent, SILENT))


def _level_dbfs(
    run: Callable[[Samples], Samples], sample_rate_hz: int, k: int, gain: float
) -> float | None:
    plan = SegmentPlan(sample_rate_hz, 1)
    tone = unit_sine(k, plan.n_segment_frames + plan.n_fade_frames).astype(np.float32)
    output = run(plan.join([(tone, gain)]))
    power = power_spectra(plan.windows(output, what="noise output"))[0] / len(output)
    if gain:
        power[k] = 0.0
    total = float(power[audio_band(sample_rate_hz)].sum())
    return float(10 * np.log10(2 * total)) if total > 0 else None
