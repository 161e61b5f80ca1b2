"""THD of shapers and waveforms whose harmonics have a closed form.

Sources: Fourier integrals of the clipped sine, of arctan and of polynomials (derived; the numbers
agree with a 65536-point FFT to 8 digits); Blagouchine & Moreau, "Analytic method for the
computation of the total harmonic distortion by the Cauchy method of residues", IEEE Trans.
Commun. 59(9), 2011, for the standard waveforms; OEIS A300714 and A300727 for the sawtooth behind
a low-pass. tanh by mpmath quadrature. THD re the fundamental (F) becomes re the total (R) by
R = F / sqrt(1 + F^2).
"""

import mpmath
import numpy as np
import pytest

from chainweigh.measure.coherent import N_ANALYSIS_FRAMES
from chainweigh.measure.tones import ToneGrid, measure_tones, tone_signal

RATE = 48_000
LOW_BIN = 29  # 21.2 Hz: harmonics up to the 941st lie below 20 kHz
TOLERANCE_DB = 0.01


def one_tone(k=LOW_BIN, level_dbfs=0.0):
    return ToneGrid(RATE, level_dbfs, (k * RATE / N_ANALYSIS_FRAMES,), (k,), (level_dbfs,), 1361)


def thd_of_shaper(shape, amplitude, k=LOW_BIN):
    grid = one_tone(k, 20 * np.log10(amplitude))
    results = measure_tones(shape(tone_signal(grid)).astype(np.float32), grid)
    return results.thd_pct[0, 0]


def thd_of_series(amplitudes):
    """THD of a wave given by its complex harmonics 1, 2, 3 ... up to 20 kHz."""
    grid = one_tone()
    spectrum = np.zeros(N_ANALYSIS_FRAMES // 2 + 1, complex)
    spectrum[LOW_BIN * np.arange(1, len(amplitudes) + 1)] = amplitudes
    period = np.fft.irfft(spectrum)
    period *= 0.9 / np.abs(period).max()
    output = np.resize(period, (1, grid.n_frames)).astype(np.float32)
    return measure_tones(output, grid).thd_pct[0, 0]


def re_total(thd_re_fundamental_pct):
    f = thd_re_fundamental_pct / 100
    return 100 * f / np.sqrt(1 + f * f)


def assert_within_tolerance(measured_pct, expected_pct):
    assert abs(20 * np.log10(measured_pct / expected_pct)) < TOLERANCE_DB


@pytest.mark.parametrize(
    ("overdrive_db", "thd_r_pct"),
    [
        (0.1, 0.336865),
        (0.5, 2.188407),
        (1, 4.626596),
        (2, 9.210617),
        (3, 13.261348),
        (6.0206, 22.686458),
        (12, 33.344773),
        (20, 39.533550),
        (40, 43.128042),
    ],
)
def test_a_hard_clip_reads_its_closed_form(overdrive_db, thd_r_pct):
    ceiling = 10 ** (-overdrive_db / 20)
    assert_within_tolerance(thd_of_shaper(lambda x: np.clip(x, -ceiling, ceiling), 1), thd_r_pct)


@pytest.mark.parametrize(
    ("ratio", "thd_f_pct"),
    [(0.9, 3.210453), (0.75, 9.049411), (0.5, 19.464760), (0.25, 30.750003), (0, 43.523618)],
)
def test_a_one_sided_clip_reads_its_closed_form(ratio, thd_f_pct):
    measured = thd_of_shaper(lambda x: np.minimum(x, ratio), 1)
    assert_within_tolerance(measured, re_total(thd_f_pct))


@pytest.mark.parametrize("amplitude", [1, 0.75, 0.5, 0.25, 0.1])
def test_a_cubic_reads_a_squared_over_twelve_less_three_a_squared(amplitude):
    expected = 100 * amplitude**2 / (12 - 3 * amplitude**2)
    measured = thd_of_shaper(lambda x: 1.5 * (x - x.astype(float) ** 3 / 3), amplitude)
    assert_within_tolerance(measured, re_total(expected))


@pytest.mark.parametrize(
    ("drive", "thd_f_pct"),
    [(0.5, 1.858643), (1, 5.749781), (2, 13.088899), (5, 24.693198), (10, 32.160897)],
)
def test_an_arctangent_reads_its_closed_form(drive, thd_f_pct):
    assert_within_tolerance(thd_of_shaper(lambda x: np.arctan(drive * x), 1), re_total(thd_f_pct))


@pytest.mark.parametrize("drive", [0.5, 1, 2, 4])
def test_a_hyperbolic_tangent_reads_what_quadrature_gives(drive):
    fundamental = (
        4
        / mpmath.pi
        * mpmath.quad(
            lambda t: mpmath.tanh(drive * mpmath.sin(t)) * mpmath.sin(t), [0, mpmath.pi / 2]
        )
    )
    power = (
        2
        / mpmath.pi
        * mpmath.quad(lambda t: mpmath.tanh(drive * mpmath.sin(t)) ** 2, [0, mpmath.pi / 2])
    )
    expected = 100 * float(mpmath.sqrt(1 - fundamental**2 / (2 * power)))
    assert_within_tolerance(thd_of_shaper(lambda x: np.tanh(drive * x), 1), expected)


def test_a_second_and_third_order_polynomial_reads_its_closed_form():
    measured = thd_of_shaper(lambda x: x + 0.01 * x**2 + 0.01 * x**3, 1)
    assert_within_tolerance(measured, re_total(0.554856))


@pytest.mark.parametrize("order", [2, 3, 5, 8])
def test_a_chebyshev_polynomial_beside_the_tone_reads_one_pure_harmonic(order):
    chebyshev = np.polynomial.Chebyshev.basis(order)
    measured = thd_of_shaper(lambda x: x + 0.02 * chebyshev(x.astype(float)), 1)
    h1 = 1.0  # T_n of a sine is a pure n-th harmonic, so nothing adds to the first
    assert_within_tolerance(measured, 100 * 0.02 / np.hypot(h1, 0.02))


def square(n):
    return (n % 2) / n


def sawtooth(n):
    return 1 / n


def triangle(n):
    return (n % 2) * (-1.0) ** ((n - 1) // 2) / n**2


def pulse(duty):
    return lambda n: np.sin(np.pi * n * duty) / n


def half_wave(n):
    return np.where(n == 1, 0.5j, np.where(n % 2 == 0, 2 / (np.pi * (n**2 - 1.0 + (n == 1))), 0))


def full_wave(n):
    return 1 / (4.0 * n**2 - 1)


@pytest.mark.parametrize(
    ("series", "thd_f_pct"),
    [
        (square, 48.342585),
        (sawtooth, 80.307787),
        (triangle, 12.115293),
        (half_wave, 43.523618),
        (full_wave, 22.727181),
        (pulse(0.1), 191.0762),
        (pulse(0.25), 92.2253),
        (pulse(1 / 3), 67.9827),
    ],
)
def test_a_standard_waveform_reads_its_published_thd(series, thd_f_pct):
    n = np.arange(1, 2_000_001)
    amplitudes = series(n)
    n_in_band = int(20_000 / (LOW_BIN * RATE / N_ANALYSIS_FRAMES))
    beyond = np.sum(np.abs(amplitudes[n_in_band:] / amplitudes[0]) ** 2)
    expected = 100 * np.sqrt((thd_f_pct / 100) ** 2 - beyond)
    assert_within_tolerance(thd_of_series(amplitudes[:n_in_band]), re_total(expected))


def low_pass(n, order):
    from scipy.signal import butter, freqs

    b, a = butter(order, 1.0, analog=True)
    return freqs(b, a, n.astype(float))[1]


@pytest.mark.parametrize(
    ("series", "order", "thd_f_pct"),
    [
        (square, 1, 16.352853),
        (square, 2, 5.348349),
        (square, 3, 1.760512),
        (square, 4, 0.583760),
        (sawtooth, 1, 36.948618),
        (sawtooth, 2, 18.114161),
    ],
)
def test_a_wave_behind_a_butterworth_low_pass_reads_its_published_thd(series, order, thd_f_pct):
    n = np.arange(1, 941)
    measured = thd_of_series(series(n) * low_pass(n, order))
    assert_within_tolerance(measured, re_total(thd_f_pct))
