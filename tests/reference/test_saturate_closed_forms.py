"""Saturation's harmonics against closed forms and high-precision quadrature; its aliasing.

Of A sin t: arctan gives b_n = 2 p^n / n for odd n with p = (sqrt(1 + A^2) - 1) / A; the cubic
1.5 (x - x^3 / 3) gives b_1 = 1.5 (A - A^3 / 4) and b_3 = A^3 / 8; tanh by quadrature.
"""

import mpmath
import numpy as np
import pytest

from chainweigh.effects.base import complete_settings
from chainweigh.effects.saturate import EFFECT

RATE_HZ = 44_100
QUARTER_ARC = np.pi / 2


def amplitudes(amplitude, hz=997, *, ceiling=0.0, **settings):
    """Amplitude of every whole Hz over a settled second of a sine."""
    tone = amplitude * np.sin(2 * np.pi * hz * np.arange(2 * RATE_HZ) / RATE_HZ)
    complete = complete_settings(EFFECT, {"ceiling": ceiling, **settings})
    out = EFFECT.process(tone.astype(np.float32)[np.newaxis], RATE_HZ, complete)
    steady = out[0, RATE_HZ // 2 : 3 * RATE_HZ // 2].astype(np.float64)
    return np.abs(np.fft.rfft(steady)) * 2 / RATE_HZ


def quadrature(curve, amplitude, n):
    """Amplitude of harmonic n of curve(amplitude sin t)."""
    wave = "cos" if n % 2 == 0 else "sin"
    part = getattr(mpmath, wave)
    spans = mpmath.linspace(0, 2 * mpmath.pi, 9)
    value = mpmath.quad(lambda t: curve(amplitude * mpmath.sin(t)) * part(n * t), spans)
    return abs(float(value / mpmath.pi))


@pytest.mark.parametrize("drive", [0.25, 1.0, 2.0, 5.0])
def test_arctan_has_the_harmonics_of_its_closed_form(drive):
    found = amplitudes(drive / QUARTER_ARC, curve="arctan")
    p = (np.sqrt(1 + drive**2) - 1) / drive
    for n in (1, 3, 5, 7):
        assert found[997 * n] == pytest.approx(2 * p**n / n / QUARTER_ARC, rel=1e-4, abs=3e-7)
    assert found[2 * 997] < 1e-6


@pytest.mark.parametrize("drive", [0.1, 0.5, 1.0])
def test_the_cubic_has_a_third_harmonic_and_no_other(drive):
    found = amplitudes(1.5 * drive, curve="cubic")
    assert found[997] == pytest.approx(1.5 * (drive - drive**3 / 4), rel=1e-5)
    assert found[3 * 997] == pytest.approx(drive**3 / 8, rel=1e-4, abs=3e-7)
    assert found[[2 * 997, 5 * 997, 7 * 997]].max() < 1e-6


@pytest.mark.parametrize("drive", [0.5, 1.0, 2.0, 4.0])
def test_tanh_has_the_harmonics_of_its_quadrature(drive):
    found = amplitudes(drive, curve="tanh")
    for n in (1, 3, 5, 7):
        assert found[997 * n] == pytest.approx(
            quadrature(mpmath.tanh, drive, n), rel=1e-4, abs=3e-7
        )


@pytest.mark.parametrize(
    ("curve", "drive", "expected_pct"),
    [  # THD re the fundamental: A^2 / (12 - 3 A^2); the arctan series; tanh by quadrature
        ("cubic", 0.75, 5.454545),
        ("arctan", 1.0, 5.749781),
        ("tanh", 1.0, 6.706482),
    ],
)
def test_thd_is_the_closed_forms(curve, drive, expected_pct):
    slope = {"cubic": 1.5, "arctan": 1 / QUARTER_ARC, "tanh": 1.0}[curve]
    found = amplitudes(drive * slope, curve=curve)
    harmonics = found[2 * 997 : 20_001 : 997]
    assert 100 * np.linalg.norm(harmonics) / found[997] == pytest.approx(expected_pct, rel=2e-4)


@pytest.mark.parametrize("bias", [0.3, -0.6])
@pytest.mark.parametrize("curve", ["tanh", "arctan"])
def test_bias_adds_even_harmonics_as_quadrature_has_them(curve, bias):
    def bent(u):
        v = u + bias
        return mpmath.tanh(v) if curve == "tanh" else mpmath.atan(v * QUARTER_ARC) / QUARTER_ARC

    found = amplitudes(1.5, curve=curve, bias=100 * bias)
    for n in (1, 2, 3, 4):
        assert found[997 * n] == pytest.approx(quadrature(bent, 1.5, n), rel=1e-4, abs=3e-7)


def test_bias_on_the_cubic_gives_the_polynomials_second_harmonic():
    """(u + b)^3 holds 3 b u^2, whose second harmonic is 3 b A^2 / 2; the curve takes 4/27 of it."""
    found = amplitudes(0.5, curve="cubic", bias=40.0)
    assert found[2 * 997] == pytest.approx(4 / 27 * 3 * 0.4 * 0.5**2 / 2, rel=1e-4)


def test_ceiling_and_mix_scale_what_is_added():
    """A ceiling 12 dB lower bends a tone 12 dB softer alike; half the mix adds half."""
    high, low = amplitudes(1.0), amplitudes(10 ** (-12 / 20), ceiling=-12.0)
    half = amplitudes(1.0, mix=50.0)
    for n in (3, 5, 7):
        assert low[997 * n] == pytest.approx(10 ** (-12 / 20) * high[997 * n], rel=1e-3)
        assert half[997 * n] == pytest.approx(high[997 * n] / 2, rel=1e-3)


@pytest.mark.parametrize(
    ("hz", "most_db"),
    [(5003, -95.0), (10_007, -84.0)],  # measured: -99 and -86, the cubic's; the others below -120
)
@pytest.mark.parametrize("curve", ["tanh", "cubic", "arctan"])
def test_eight_times_oversampling_leaves_little_folded_energy(curve, hz, most_db):
    """All from 20 Hz to 20 kHz that is no harmonic, re the fundamental, 6 dB over the ceiling."""
    for oversample, limit_db in ((8, most_db), (1, 0.0)):
        power = amplitudes(2.0, hz, curve=curve, oversample=oversample) ** 2
        fundamental = power[hz]
        power[::hz] = 0
        folded_db = 10 * np.log10(power[20:20_001].sum() / fundamental)
        assert folded_db < limit_db
    assert folded_db > -35  # without oversampling it is heard
