"""The cookbook's analog curves: its published coefficients, and what the equaliser makes of them.

Source of the coefficient table: the cookbook's formulas at 48 kHz with a0 = 1, computed by SoX
14.4.2 (`--plot octave`). Curves: the cookbook's analog H(s), written here once more and evaluated
by scipy.signal.freqs; Butterworth's closed form 1 / (1 + (f/f0)^2n).
"""

import numpy as np
import pytest
from scipy.signal import freqs, freqz_sos

from chainweigh.effects import effect
from chainweigh.effects.base import complete_settings
from chainweigh.effects.eq import sections
from chainweigh.effects.eq_curve import analog_sections
from chainweigh.effects.eq_linear import symmetric_taps
from chainweigh.kernels.biquad import bilinear_section

RATE_HZ = 44_100
UP_TO_20_KHZ = np.concatenate([np.geomspace(10, 1_000, 60), np.linspace(1_000, 20_000, 381)])
S1 = 0.5**0.5  # shelf slope 1 is this Q
STATED_DB = 0.15
STATED_CUT_DB = 0.11  # for each 12 dB/oct
STATED_LINEAR_DB = 0.02

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


def completed(given: dict[str, object]) -> dict[str, object]:
    return complete_settings(effect("eq"), given)


def gain_db(given: dict[str, object], at_hz: np.ndarray, rate_hz: int = RATE_HZ) -> np.ndarray:
    sos = np.insert(sections(rate_hz, completed(given)), 3, 1.0, axis=1)
    _, response = freqz_sos(sos, np.asarray(at_hz, dtype=float), fs=rate_hz)
    return 20 * np.log10(np.abs(response))


def linear_gain_db(given: dict[str, object], at_hz: np.ndarray) -> np.ndarray:
    settings = completed(given)
    taps = symmetric_taps(analog_sections(settings), float(settings["frequency"]), RATE_HZ)
    n = len(taps) // 2
    angles = 2 * np.pi / RATE_HZ * np.outer(at_hz, np.arange(1, n + 1))
    return 20 * np.log10(np.abs(taps[n] + 2 * np.cos(angles) @ taps[n + 1 :]))


def analog_db(given: dict[str, object], at_hz: np.ndarray) -> np.ndarray:
    """The cookbook's H(s) of peak and shelves, s = 1 at the frequency; Butterworth's for cuts."""
    ratio = np.asarray(at_hz) / given["frequency"]
    if "cut" in given["shape"]:
        order = given["slope"] // 6
        return -10 * np.log10(
            1 + ratio ** (2 * order if given["shape"] == "high_cut" else -2 * order)
        )
    a, q = 10 ** (given["gain"] / 40), given["q"]
    low = np.array([1, a**0.5 / q, a]), np.array([a, a**0.5 / q, 1])  # falling powers of s
    b, over = {
        "peak": ([1, a / q, 1], [1, 1 / (a * q), 1]),
        "low_shelf": (a * low[0], low[1]),
        "high_shelf": (a * low[1], low[0]),
        "tilt": (low[1], low[0]),
    }[given["shape"]]
    return 20 * np.log10(np.abs(freqs(b, over, ratio)[1]))


@pytest.mark.parametrize(("given", "b", "a"), TABLE, ids=[row[0]["shape"] for row in TABLE])
def test_the_plain_transform_of_the_analog_section_has_the_cookbooks_coefficients(
    given: dict[str, object], b: list[float], a: list[float]
) -> None:
    ((numerator, denominator),) = analog_sections(completed(given))
    row = bilinear_section(numerator, denominator, given["frequency"], 48_000)
    assert row == pytest.approx([*b, *a], abs=1e-12)


@pytest.mark.parametrize("shape", ["peak", "low_shelf", "high_shelf", "tilt"])
def test_far_below_the_sample_rate_the_coefficients_are_the_cookbooks(shape: str) -> None:
    given = {"shape": shape, "frequency": 60, "gain": 4, "q": 0.9}
    ((numerator, denominator),) = analog_sections(completed(given))
    expected = bilinear_section(numerator, denominator, 60, 48_000)
    assert np.array_equal(sections(48_000, completed(given)), [expected])


PEAKS = [
    {"shape": "peak", "frequency": f, "gain": gain, "q": q}
    for f in (500, 5_000, 10_000, 14_000, 20_000)
    for gain, q in ((12, 0.3), (-12, 1), (12, 2), (3, 0.7), (-12, 4), (12, 40))
]
SHELVES = [
    {"shape": shape, "frequency": f, "gain": gain, "q": q}
    for shape in ("low_shelf", "high_shelf", "tilt")
    for f in (200, 6_000, 12_000, 20_000)
    for gain, q in ((12, 1), (-12, 0.3), (-4, S1))
]
SLOPED = [
    {"shape": shape, "frequency": f, "slope": slope}
    for shape in ("low_cut", "high_cut")
    for f in (30, 1_200, 9_000, 14_000, 20_000)
    for slope in (12, 24, 36, 48)
]


@pytest.mark.parametrize("given", [*PEAKS, *SHELVES, *SLOPED], ids=str)
def test_a_band_follows_the_analog_curve_up_to_20_khz_at_44100_hz(given: dict[str, object]) -> None:
    expected = analog_db(given, UP_TO_20_KHZ)
    kept = expected > -24
    found = gain_db(given, UP_TO_20_KHZ)
    n_sections = given.get("slope", 12) // 12
    stated_db = STATED_CUT_DB * n_sections if "cut" in given["shape"] else STATED_DB
    assert np.abs(found - expected)[kept].max() < stated_db
    faint = np.abs(10 ** (found / 20) - 10 ** (expected / 20))[~kept]
    assert faint.max(initial=0) < 0.001 * n_sections


@pytest.mark.parametrize(("q", "stated_db"), [(2, 0.25), (4, 0.7), (10, 2.5)])
@pytest.mark.parametrize("shape", ["low_shelf", "high_shelf", "tilt"])
def test_a_resonant_shelf_deviates_by_no_more_than_is_stated(shape, q, stated_db) -> None:
    for frequency_hz in (5_000, 9_641, 11_156, 12_296, 12_909, 14_000, 17_000, 20_000):
        for gain in (-12, 12):
            given = {"shape": shape, "frequency": frequency_hz, "gain": gain, "q": q}
            deviation_db = gain_db(given, UP_TO_20_KHZ) - analog_db(given, UP_TO_20_KHZ)
            assert np.abs(deviation_db).max() < stated_db


@pytest.mark.parametrize("frequency_hz", [2_000, 7_000, 14_000, 20_000])
@pytest.mark.parametrize(
    ("shape", "qs", "stated_db"),
    [("peak", (0.3, 1, 4, 40), 0.28), ("low_shelf", (0.3, S1, 1), 0.1), ("tilt", (0.3, 1), 0.1)],
)
def test_24_db_of_gain_deviate_by_no_more_than_is_stated(shape, qs, stated_db, frequency_hz):
    for q in qs:
        given = {"shape": shape, "frequency": frequency_hz, "gain": 24, "q": q}
        deviation_db = gain_db(given, UP_TO_20_KHZ) - analog_db(given, UP_TO_20_KHZ)
        assert np.abs(deviation_db).max() < stated_db


@pytest.mark.parametrize(
    "given",
    [*PEAKS[::5], *SHELVES[::4], SLOPED[0], SLOPED[3], SLOPED[-1], SLOPED[-10]],
    ids=str,
)
def test_linear_phase_has_the_same_analog_curve(given: dict[str, object]) -> None:
    expected = analog_db(given, UP_TO_20_KHZ)
    kept = expected > -60
    found = linear_gain_db(given, UP_TO_20_KHZ)
    assert np.abs(found - expected)[kept].max() < STATED_LINEAR_DB
    assert (found[~kept] < -59.5).all()


def test_a_peak_near_the_top_is_not_squeezed() -> None:
    """An octave above: |H|^2 = (9 + 4 A^2) / (9 + 4 / A^2), 1.88 dB; plain design 0.283 dB."""
    peak = {"shape": "peak", "frequency": 10_000, "q": 1, "gain": 6}
    squared = 10**0.3
    expected = 10 * np.log10((9 + 4 * squared) / (9 + 4 / squared))
    assert gain_db(peak, [20_000], 48_000) == pytest.approx([expected], abs=0.05)


def test_a_peak_reaches_its_gain_and_falls_to_half_where_the_closed_form_says() -> None:
    peak = {"shape": "peak", "frequency": 1000, "q": 1, "gain": 6}
    edges_hz = 500 * np.array([5**0.5 - 1, 5**0.5 + 1])  # where |w - 1/w| = 1/Q
    assert gain_db(peak, [1000, *edges_hz]) == pytest.approx([6, 3, 3], abs=0.01)


@pytest.mark.parametrize("frequency_hz", [100, 1_000, 9_000])
@pytest.mark.parametrize("gain", [-12, 6])
def test_shelves_have_half_their_gain_at_the_frequency(frequency_hz: float, gain: float) -> None:
    low = {"shape": "low_shelf", "frequency": frequency_hz, "gain": gain}
    high = {"shape": "high_shelf", "frequency": frequency_hz, "gain": gain}
    at_hz = (1e-3, frequency_hz)
    assert gain_db(low, at_hz) == pytest.approx([gain, gain / 2], abs=0.05)
    assert gain_db(high, at_hz) == pytest.approx([0, gain / 2], abs=0.05)


@pytest.mark.parametrize("shape", ["peak", "low_shelf", "high_shelf", "tilt"])
def test_boost_and_cut_of_the_same_amount_cancel(shape: str) -> None:
    boost = gain_db({"shape": shape, "frequency": 7000, "gain": 9, "q": 0.9}, UP_TO_20_KHZ)
    cut = gain_db({"shape": shape, "frequency": 7000, "gain": -9, "q": 0.9}, UP_TO_20_KHZ)
    assert boost + cut == pytest.approx(np.zeros(len(boost)), abs=0.002)


@pytest.mark.parametrize("sample_rate_hz", [48_000, 192_000])
@pytest.mark.parametrize("shape", ["low_cut", "high_cut"])
def test_cuts_are_3_db_down_at_their_frequency(shape: str, sample_rate_hz: int) -> None:
    for slope in (12, 24, 36, 48):
        given = {"shape": shape, "frequency": 600, "slope": slope}
        found = gain_db(given, [600], sample_rate_hz)
        assert found == pytest.approx([-3.0103], abs=0.02)


def test_q_of_a_cut_raises_its_corner_by_the_same_factor() -> None:
    plain = {"shape": "low_cut", "frequency": 60, "slope": 24}
    raised = gain_db({**plain, "q": 2**0.5}, [60])
    assert raised == pytest.approx(gain_db(plain, [60]) + 20 * np.log10(2), abs=0.001)
