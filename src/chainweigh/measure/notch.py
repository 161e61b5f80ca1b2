"""THD+N by a notch filter, as a hardware analyser reads it, beside the spectral reading.

The spectral reading of `chainweigh.measure.tones` removes the fundamental alone. A notch also takes
from the harmonics next to it: at Q 2.1 the second reads 0.42 dB low, the third 0.14 dB. It needs no
coherent tone, only the tone's exact frequency.
"""

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_rate, check_samples
from chainweigh.errors import SignalError
from chainweigh.measure.coherent import HIGHEST_HZ, SETTLE_S, SILENT_SHARE

Q_RANGE = (1.2, 3.0)
# tighter than the standard's 0.1 dB and 24 kHz, so noise reads as in 20 kHz at every rate
PASS_RIPPLE_DB = 0.02
STOP_DB = 60.0
STOP_HZ = 20_500.0


def thdn_notched_pct(
    samples: Samples, sample_rate_hz: int, *, frequency_hz: float, q: float = 2.1
) -> float | None:
    """THD+N of a steady tone in percent of the total, by the standard notch and low-pass.

    Parameters
    ----------
    samples : shape (1 or 2, n_frames), float32
        A steady tone of more than 1 s; its first second settles tone and filters, and is not read.
    sample_rate_hz : int
    frequency_hz : float
        The tone's frequency; 0.01 % off leaves 0.04 % of the fundamental.
    q : float
        Quality of the notch, 1.2 to 3.

    Returns
    -------
    float, or None where the tone is silent. Stereo powers add.

    Raises
    ------
    SignalError
        Samples or rate break the array convention, are too short, or frequency or q out of range.

    Notes
    -----
    Rms behind notch and low-pass over rms behind the low-pass: flat to 20 kHz within 0.02 dB, 60 dB
    down from 20.5 kHz (the standard asks for 0.1 dB, and 60 dB from 24 kHz). At rates up to 40 kHz
    there is nothing to low-pass.

    References
    ----------
    AES17-2015, 5.2.5 (low-pass), 5.2.8 (standard notch), 6.3.2 (THD+N).
    """
    check_samples(samples)
    check_rate(sample_rate_hz)
    _check_notch(frequency_hz, q, sample_rate_hz)
    n_settle = round(SETTLE_S * sample_rate_hz)
    if samples.shape[1] <= n_settle:
        raise SignalError(
            f"tone: {samples.shape[1] / sample_rate_hz:.3f} s; more than {SETTLE_S:g} s is needed"
        )
    from scipy.signal import iirnotch, lfilter

    limited = _low_passed(samples.astype(np.float64), sample_rate_hz)
    notched = lfilter(*iirnotch(frequency_hz, q, fs=sample_rate_hz), limited)
    total = float(np.square(limited[:, n_settle:]).sum())
    if total <= SILENT_SHARE * float(np.square(samples.astype(np.float64)).sum()):
        return None
    rest = float(np.square(notched[:, n_settle:]).sum())
    return 100.0 * float(np.sqrt(rest / total))


def _check_notch(frequency_hz: float, q: float, sample_rate_hz: int) -> None:
    highest = min(HIGHEST_HZ, sample_rate_hz / 2) / 2
    if not 20.0 <= frequency_hz <= highest:
        raise SignalError(
            f"tone of {frequency_hz} Hz; 20 to {highest:g} Hz has a harmonic to measure"
        )
    if not Q_RANGE[0] <= q <= Q_RANGE[1]:
        raise SignalError(f"notch Q {q}; {Q_RANGE[0]:g} to {Q_RANGE[1]:g} is allowed")


def _low_passed(samples: NDArray[np.float64], sample_rate_hz: int) -> NDArray[np.float64]:
    half_hz = sample_rate_hz / 2
    if half_hz <= HIGHEST_HZ:
        return samples
    from scipy.signal import ellip, ellipord, sosfilt

    stop_hz = min(STOP_HZ, (HIGHEST_HZ + half_hz) / 2)
    order, edge = ellipord(HIGHEST_HZ, stop_hz, PASS_RIPPLE_DB, STOP_DB, fs=sample_rate_hz)
    sections = ellip(order, PASS_RIPPLE_DB, STOP_DB, edge, output="sos", fs=sample_rate_hz)
    return np.asarray(sosfilt(sections, samples, axis=1))
