"""Keeps a fitted filter to what an equaliser can be: few periods long at every frequency.

Where a chain is not linear, least squares lets a long filter use the music's own repetition to
predict what the chain did: taps far from the main one, spread over all frequencies, that smear
the treble. The response of an equaliser dies within some periods of the frequency it acts on.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PERIODS = 16.0
LOWEST_HZ, N_OCTAVES = 31.25, 10


def tapered(taps: Floats, main_tap: int, sample_rate_hz: int) -> Floats:
    """Taps faded out over 16 periods either side of the main tap, octave by octave.

    Parameters
    ----------
    taps : shape (n_taps,)
    main_tap : index the fade is centred on
    sample_rate_hz : rate of the signals the taps are for

    Notes
    -----
    Bells of 6 dB keep their response within 0.25 dB up to a Q of 2, within 0.5 dB at 4.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    if len(taps) == 1:
        return taps
    size = next_fast_len(4 * len(taps), real=True)
    response = rfft(np.roll(np.pad(taps, (0, size - len(taps))), -main_tap))
    weights, fades = _octaves(size, sample_rate_hz)
    out = np.sum(irfft(response * weights, size) * fades, axis=0)
    return np.asarray(np.roll(out, main_tap)[: len(taps)])


@lru_cache(maxsize=8)
def _octaves(size: int, sample_rate_hz: int) -> tuple[Floats, Floats]:
    """Share of each bin that every octave takes, and how its response fades with the lag."""
    frequency_hz = np.arange(size // 2 + 1) * sample_rate_hz / size
    octave = np.log2(np.maximum(frequency_hz, 1.0) / LOWEST_HZ)
    octave = np.clip(octave, 0, N_OCTAVES - 1)
    lag_s = np.abs(np.fft.fftfreq(size, 1 / size)) / sample_rate_hz
    index = np.arange(N_OCTAVES)[:, None]
    return _falling(np.abs(octave - index)), _falling(lag_s * LOWEST_HZ * 2.0**index / PERIODS)


def _falling(x: Floats) -> Floats:
    """One at 0, zero from 1 on, a squared cosine between."""
    return np.asarray(np.cos(np.pi / 2 * np.clip(x, 0, 1)) ** 2)
