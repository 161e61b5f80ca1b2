"""How much a limiter has to do: the decibels above its ceiling, over time."""

import numpy as np

from chainweigh.audio.array import Samples, check_rate, check_samples, from_db


def limiter_work_db_s(samples: Samples, sample_rate_hz: int, *, ceiling_dbfs: float) -> float:
    """Area of a programme's level above a ceiling, in dB seconds.

    Parameters
    ----------
    samples : what reaches the limiter, shape (n_channels, n_frames)
    sample_rate_hz : Hz
    ceiling_dbfs : the level that none shall pass

    Returns
    -------
    The sum over frames of how far the larger channel's magnitude lies above the ceiling, times
    the length of a frame: 1 dB s is one second 1 dB above it. 0.0 where nothing reaches it.

    Raises
    ------
    SignalError
        Samples or rate break the array convention.

    Notes
    -----
    It is the gain that a limiter without any memory would take away. Peaks between samples are not
    looked for: they raise the highest levels, hardly the area. One pass.

    References
    ----------
    None; the definition is chainweigh's own.
    """
    check_samples(samples)
    check_rate(sample_rate_hz)
    if not samples.size:
        return 0.0
    over = np.abs(samples).max(axis=0) / np.float64(from_db(ceiling_dbfs))
    return float(20 * np.log10(over[over > 1]).sum() / sample_rate_hz)
