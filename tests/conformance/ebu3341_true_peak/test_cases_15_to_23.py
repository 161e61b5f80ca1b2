"""EBU Tech 3341 (V4, November 2023), minimum requirements, true-peak cases 15 to 23."""

import numpy as np
import pytest
from scipy.signal import firwin

from chainweigh.measure.true_peak import true_peak_dbtp

RATE_HZ = 48000
FADE_FRAMES = RATE_HZ // 100

# case, divisor of the sample rate, amplitude re full scale, phase in degrees, expected dBTP,
# then what the Annex 2 table and an ideal 32x interpolation read on this synthesis (numpy)
TONES = [
    (15, 4, 0.50, 0.0, -6.0, -6.217, -6.021),
    (16, 4, 0.50, 45.0, -6.0, -5.975, -6.019),
    (17, 6, 0.50, 60.0, -6.0, -6.314, -6.020),
    (18, 8, 0.50, 67.5, -6.0, -6.028, -6.020),
    (19, 4, 1.41, 45.0, 3.0, 3.030, 2.986),
]
BURSTS = [(20, 0, -0.147), (21, 1, -0.077), (22, 2, -0.203), (23, 3, -0.077)]
BURST_IDEAL_DBTP = -0.078


def _tone(divisor, amplitude, phase_degrees):
    frames = np.arange(RATE_HZ)
    tone = amplitude * np.sin(2 * np.pi * frames / divisor + np.radians(phase_degrees))
    fade = np.minimum(1.0, np.minimum(frames, frames[::-1]) / FADE_FRAMES)
    return np.tile((tone * fade).astype(np.float32), (2, 1))


def _burst(offset):
    """A tone at 4 times the rate with one louder, faster period, band-limited and decimated."""
    before = 0.5 * np.sin(2 * np.pi * np.arange(24 * 500) / 24)
    period = np.sin(2 * np.pi * np.arange(16) / 16)
    fine = np.concatenate([before, period, before])
    low_pass = firwin(1025, 0.98 * RATE_HZ / 2, window=("kaiser", 10.0), fs=4 * RATE_HZ)
    coarse = np.convolve(fine, low_pass, mode="same")[offset::4]
    fade = np.minimum(1.0, np.minimum(np.arange(len(coarse)), np.arange(len(coarse))[::-1]) / 480)
    return np.tile((coarse * fade).astype(np.float32), (2, 1))


def _inside(reading_dbtp, expected_dbtp):
    return expected_dbtp - 0.4 <= reading_dbtp <= expected_dbtp + 0.2


@pytest.mark.parametrize(("case", "divisor", "amplitude", "phase", "due", "table", "ideal"), TONES)
def test_tones_read_inside_the_standards_tolerance_and_close_to_the_ideal(
    case, divisor, amplitude, phase, due, table, ideal
):
    samples = _tone(divisor, amplitude, phase)
    annex2 = true_peak_dbtp(samples, RATE_HZ, mode="annex2")
    precise = true_peak_dbtp(samples, RATE_HZ)
    assert _inside(annex2, due)
    assert _inside(precise, due)
    assert annex2 == pytest.approx(table, abs=0.005)
    assert precise == pytest.approx(ideal, abs=0.005)


@pytest.mark.parametrize(("case", "offset", "table"), BURSTS)
def test_bursts_read_inside_the_standards_tolerance_and_close_to_the_ideal(case, offset, table):
    samples = _burst(offset)
    annex2 = true_peak_dbtp(samples, RATE_HZ, mode="annex2")
    precise = true_peak_dbtp(samples, RATE_HZ)
    assert _inside(annex2, 0.0)
    assert _inside(precise, 0.0)
    assert annex2 == pytest.approx(table, abs=0.005)
    assert precise == pytest.approx(BURST_IDEAL_DBTP, abs=0.05)
