"""The taper keeps what an equaliser does and drops what it cannot do."""

import numpy as np
import pytest

from chainweigh.measure.fit_taper import tapered

RATE = 48_000
MAIN, N_TAPS = 2048, 8193


def bell(frequency_hz, gain_db, q):
    """Impulse response of the RBJ cookbook's peaking equaliser from the main tap on."""
    a, w0 = 10 ** (gain_db / 40), 2 * np.pi * frequency_hz / RATE
    alpha = np.sin(w0) / (2 * q)
    b = np.array([1 + alpha * a, -2 * np.cos(w0), 1 - alpha * a]) / (1 + alpha / a)
    c = np.array([-2 * np.cos(w0), 1 - alpha / a]) / (1 + alpha / a)
    taps = np.zeros(N_TAPS)
    state = [0.0, 0.0]
    for n in range(N_TAPS - MAIN):
        now = (b[n] if n < 3 else 0.0) - c[0] * state[0] - c[1] * state[1]
        taps[MAIN + n], state = now, [now, state[0]]
    return taps


def response_db(taps):
    return 20 * np.log10(np.abs(np.fft.rfft(taps, 65_536)))


@pytest.mark.parametrize(
    "frequency_hz, q, within_db",
    [(60, 1, 0.25), (60, 2, 0.25), (1000, 1, 0.25), (3000, 4, 0.5), (12_000, 2, 0.25)],
)
def test_an_equaliser_keeps_its_response(frequency_hz, q, within_db):
    taps = bell(frequency_hz, 6.0, q)
    change_db = response_db(tapered(taps, MAIN, RATE)) - response_db(taps)
    assert np.abs(change_db[: 65_536 * 20_000 // RATE]).max() < within_db


def test_one_tap_is_left_alone():
    np.testing.assert_array_equal(tapered(np.array([0.7]), 0, RATE), [0.7])


def test_treble_far_from_the_main_tap_is_dropped():
    taps = np.zeros(N_TAPS)
    taps[MAIN] = 1.0
    stray = taps.copy()
    n = np.arange(-24, 25)
    # 8 kHz, 60 ms late: 480 periods
    stray[MAIN + 2880 + n] += 0.1 * np.hanning(49) * np.cos(2 * np.pi * 8000 / RATE * n)
    out = tapered(stray, MAIN, RATE)
    kept = np.sum((out - taps) ** 2) / np.sum((stray - taps) ** 2)
    assert kept < 1e-3


def test_bass_as_far_from_the_main_tap_is_kept():
    n = np.arange(N_TAPS)
    stray = 0.01 * np.exp(-(((n - MAIN - 1500) / 600) ** 2)) * np.cos(2 * np.pi * 40 / RATE * n)
    out = tapered(stray, MAIN, RATE)
    assert np.sum(out**2) / np.sum(stray**2) > 0.8
