"""EQ coefficients against the Audio EQ Cookbook.

Source of the coefficient table: the cookbook's formulas at 48 kHz with a0 = 1, computed by SoX
14.4.2 (`--plot octave`), and its invariants. Magnitudes: closed form of the same filters.
"""

import numpy as np
import pytest
from scipy.signal import butter, freqz_sos

from chainweigh.effects import effect
from chainweigh.effects.base import complete_settings
from chainweigh.effects.eq import sections

RATE_HZ = 48_000
S1 = 0.5**0.5  # shelf slope 1 is this Q

TABLE = [
    (
        {"shape": "high_cut", "frequency": 1000, "q": S1},
        [0.00391612666054738, 0.00783225332109477, 0.00391612666054738],
        [-1.81534108270457, 0.831005589346758],
    ),
    (
        {"shape": "low_cut", "frequency": 80, "q": S1},
        [0.992622542756119, -1.98524508551224, 0.992622542756119],
        [-1.98519065789626, 0.985299513128215],
    ),
    (
        {"shape": "peak", "frequency": 1000, "q": 1, "gain": 6},
        [1.04395308699034, -1.8953207239366, 0.867722284759857],
        [-1.8953207239366, 0.911675371750192],
    ),
    (
        {"shape": "peak", "frequency": 3000, "q": 4, "gain": -9},
        [0.952039013578514, -1.71040291728347, 0.899287763446469],
        [-1.71040291728347, 0.851326777024983],
    ),
    (
        {"shape": "peak", "frequency": 10_000, "q": 1, "gain": 6},
        [1.25358727032255, -0.385746800506027, 0.236823917746048],
        [-0.385746800506027, 0.490411188068594],
    ),
    (
        {"shape": "low_shelf", "frequency": 100, "q": S1, "gain": 6},
        [1.00321789573723, -1.9843644307769, 0.981386698749132],
        [-1.98442432913905, 0.984544696124214],
    ),
    (
        {"shape": "high_shelf", "frequency": 10_000, "q": S1, "gain": -3},
        [0.819363826001001, -0.170660098557928, 0.146872802578242],
        [-0.405166390709336, 0.20074292073065],
    ),
]


def rows(given: dict[str, object], sample_rate_hz: int = RATE_HZ) -> np.ndarray:
    return sections(sample_rate_hz, complete_settings(effect("eq"), given))


def gain_db(given: dict[str, object], *at_hz: float, sample_rate_hz: int = RATE_HZ) -> np.ndarray:
    sos = np.insert(rows(given, sample_rate_hz), 3, 1.0, axis=1)
    _, response = freqz_sos(sos, np.array(at_hz), fs=sample_rate_hz)
    return 20 * np.log10(np.abs(response))


@pytest.mark.parametrize(("given", "b", "a"), TABLE, ids=[row[0]["shape"] for row in TABLE])
def test_coefficients_equal_the_cookbooks(
    given: dict[str, object], b: list[float], a: list[float]
) -> None:
    (row,) = rows(given)
    assert row == pytest.approx([*b, *a], abs=1e-12)


def test_a_peak_reaches_its_gain_and_falls_to_half_where_the_closed_form_says() -> None:
    peak = {"shape": "peak", "frequency": 1000, "q": 1, "gain": 6}
    assert gain_db(peak, 1000, 500, 2000) == pytest.approx([6, 1.879381, 1.865991], abs=1e-6)
    analogue = np.array([5**0.5 - 1, 5**0.5 + 1]) / 2  # where |w - 1/w| = 1/Q
    warped_hz = RATE_HZ / np.pi * np.arctan(analogue * np.tan(np.pi * 1000 / RATE_HZ))
    assert gain_db(peak, *warped_hz) == pytest.approx([3, 3], abs=1e-9)
    cramped = {"shape": "peak", "frequency": 10_000, "q": 1, "gain": 6}
    assert gain_db(cramped, 20_000) == pytest.approx([0.282879], abs=1e-6)


@pytest.mark.parametrize("frequency_hz", [100, 1_000, 9_000])
@pytest.mark.parametrize("gain", [-12, 6])
def test_shelves_have_half_their_gain_at_the_frequency(frequency_hz: float, gain: float) -> None:
    low = {"shape": "low_shelf", "frequency": frequency_hz, "gain": gain}
    high = {"shape": "high_shelf", "frequency": frequency_hz, "gain": gain}
    at_hz = (1e-3, frequency_hz, RATE_HZ / 2 - 1e-3)
    assert gain_db(low, *at_hz) == pytest.approx([gain, gain / 2, 0], abs=1e-6)
    assert gain_db(high, *at_hz) == pytest.approx([0, gain / 2, gain], abs=1e-6)


def test_a_tilt_turns_about_its_frequency() -> None:
    tilt = {"shape": "tilt", "frequency": 700, "gain": 5}
    levels = gain_db(tilt, 1e-3, 700, RATE_HZ / 2 - 1e-3)
    assert levels == pytest.approx([-2.5, 0, 2.5], abs=1e-6)


@pytest.mark.parametrize("shape", ["peak", "low_shelf", "high_shelf", "tilt"])
def test_boost_and_cut_of_the_same_amount_cancel(shape: str) -> None:
    at_hz = np.geomspace(20, 20_000, 40)
    boost = gain_db({"shape": shape, "frequency": 2000, "gain": 9, "q": 1.3}, *at_hz)
    cut = gain_db({"shape": shape, "frequency": 2000, "gain": -9, "q": 1.3}, *at_hz)
    assert boost + cut == pytest.approx(np.zeros(40), abs=1e-11)


@pytest.mark.parametrize("slope", [12, 24, 36, 48])
@pytest.mark.parametrize(("shape", "btype"), [("low_cut", "highpass"), ("high_cut", "lowpass")])
@pytest.mark.parametrize("sample_rate_hz", [44_100, 192_000])
def test_cuts_are_butterworth_filters(
    slope: int, shape: str, btype: str, sample_rate_hz: int
) -> None:
    at_hz = np.array([150.0, 300, 590, 600, 640, 1200, 2400])
    given = {"shape": shape, "frequency": 600, "slope": slope}
    expected = butter(slope // 6, 600, btype, fs=sample_rate_hz, output="sos")
    _, response = freqz_sos(expected, at_hz, fs=sample_rate_hz)
    found = gain_db(given, *at_hz, sample_rate_hz=sample_rate_hz)
    assert found == pytest.approx(20 * np.log10(np.abs(response)), abs=1e-9)
    assert found[3] == pytest.approx(-3.010300, abs=1e-6)


def test_q_of_a_cut_raises_its_corner_by_the_same_factor() -> None:
    plain = {"shape": "low_cut", "frequency": 60, "slope": 24}
    assert gain_db({**plain, "q": 2**0.5}, 60) == pytest.approx(
        gain_db(plain, 60) + 20 * np.log10(2), abs=1e-9
    )
