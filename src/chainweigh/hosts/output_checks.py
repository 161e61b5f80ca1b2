"""What no plug-in's output may hold, looked for on every render."""

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, from_db
from chainweigh.errors import PluginFaultError

WINDOW_S = 0.01
SOUNDING_DB = -20.0  # of the input's peak: louder than what a gate is set to close on
MUTED_DBFS = -120.0
EQUAL_NOTE = "its output equals its input"


def check_finite(output: Samples) -> None:
    """Refuse NaN and Inf.

    Raises
    ------
    PluginFaultError
        Naming the first channel that holds them and its first frame.
    """
    if np.isfinite(output).all():
        return
    channel, frame = (int(i[0]) for i in np.nonzero(~np.isfinite(output)))
    value = "NaN" if np.isnan(output[channel, frame]) else "Inf"
    raise PluginFaultError(
        f"its output holds {value} (first at frame {frame} of channel {channel})"
    )


def check_drop_outs(samples: Samples, output: Samples, sample_rate_hz: int) -> None:
    """Refuse an output that falls silent where the input sounds on.

    Parameters
    ----------
    samples, output : shape (n_channels, n_frames), aligned; the output may be longer

    Raises
    ------
    PluginFaultError
        Naming the first time in seconds and how many there are.

    Notes
    -----
    A drop-out is a run of 10 ms windows under -120 dBFS peak whose input, and that of the windows
    before and after, peaks less than 20 dB below the input's peak. Common practice, no source.
    """
    peaks = _peaks(samples, sample_rate_hz)
    if not np.any(peaks):
        return
    heard = peaks > from_db(SOUNDING_DB) * peaks.max()
    muted = _peaks(output[:, : samples.shape[1]], sample_rate_hz) < from_db(MUTED_DBFS)
    around = heard[:-2] & heard[1:-1] & heard[2:]
    lost = np.concatenate([[False], around & muted[1:-1], [False]])
    starts = np.flatnonzero(lost[1:] & ~lost[:-1]) + 1
    if not starts.size:
        return
    if muted.all():
        raise PluginFaultError("its output is silent where the input is not")
    times = "once" if starts.size == 1 else f"{starts.size} times"
    first_s = starts[0] * WINDOW_S
    raise PluginFaultError(
        f"it drops out {times} while the input sounds (first at {first_s:.2f} s)"
    )


def _peaks(samples: Samples, sample_rate_hz: int) -> NDArray[np.float32]:
    """Peak over channels of each window of 10 ms; a rest is left out."""
    n_window = round(WINDOW_S * sample_rate_hz)
    n_windows = samples.shape[1] // n_window
    windows = samples[:, : n_windows * n_window].reshape(len(samples), n_windows, n_window)
    return np.asarray(np.maximum(windows.max(axis=2), -windows.min(axis=2)).max(axis=0))
