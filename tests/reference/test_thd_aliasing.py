"""What a clip without band-limiting folds back: lines at predicted places, with predicted levels.

Source: harmonic n of f0 appears at |n f0 - fs round(n f0 / fs)| with exactly the amplitude b_n of
the clipped sine's Fourier series (derived; a 65536-point FFT agrees within 0.001 dB). Totals are
0 Hz to 24 kHz re the fundamental, for ideal decimation to 48 kHz.
"""

import numpy as np
import pytest

from chainweigh.measure.coherent import N_ANALYSIS_FRAMES, power_spectra
from chainweigh.measure.tones import ToneGrid, measure_tones, tone_signal

RATE = 48_000
N = N_ANALYSIS_FRAMES


def clipped_harmonic(n, ratio):
    phi = np.arccos(ratio)
    first = np.sin((n - 1) * phi) / (n * (n - 1))
    return -2 / np.pi * (first - np.sin((n + 1) * phi) / (n * (n + 1)))


def fundamental(ratio):
    return 2 / np.pi * (np.arcsin(ratio) + ratio * np.sqrt(1 - ratio**2))


def folded_bin(n, k):
    return abs(n * k - N * round(n * k / N))


def one_tone(k):
    return ToneGrid(RATE, 0.0, (k * RATE / N,), (k,), (0.0,), 1361)


@pytest.mark.parametrize("n", [5, 7, 9, 11, 13, 15, 17, 19])
def test_each_folded_harmonic_of_a_5_khz_clip_lies_where_predicted_at_its_level(n):
    k = 6827
    grid = one_tone(k)
    output = np.clip(tone_signal(grid), -0.5, 0.5)
    power = power_spectra(grid.segments.windows(output, what="output"))[0]
    expected = clipped_harmonic(n, 0.5) ** 2 / 2
    assert abs(10 * np.log10(power[folded_bin(n, k)] / expected)) < 0.01


def test_the_inharmonic_part_is_the_sum_of_the_folded_lines_in_the_band():
    k = 6827
    grid = one_tone(k)
    measured = measure_tones(np.clip(tone_signal(grid), -0.5, 0.5), grid).inharmonic_pct[0, 0]
    odd = np.arange(3, 60_001, 2)
    places = np.array([folded_bin(int(n), k) for n in odd])
    frequency_hz = places * RATE / N
    power = clipped_harmonic(odd, 0.5) ** 2
    in_band = (frequency_hz >= 20) & (frequency_hz <= 20_000)
    harmonic = odd * k * RATE / N <= 20_000
    alias = power[in_band & ~harmonic].sum()
    total = fundamental(0.5) ** 2 + power[in_band].sum()
    assert abs(20 * np.log10(measured / (100 * np.sqrt(alias / total)))) < 0.01


@pytest.mark.parametrize(
    ("k", "factor", "total_alias_db"),
    [
        (6827, 1, -25.176),
        (6827, 2, -39.736),
        (6827, 4, -54.846),
        (6827, 8, -65.710),
        (6827, 16, -78.757),
        (6827, 32, -89.642),
        (1361, 1, -47.133),
        (1361, 2, -62.132),
        (1361, 4, -74.831),
        (1361, 8, -87.073),
        (1361, 16, -99.134),
        (1361, 32, -111.217),
    ],
)
def test_an_ideally_oversampled_clip_leaves_the_predicted_alias(k, factor, total_alias_db):
    phase = (k * np.arange(N * factor, dtype=np.int64)) % (N * factor)
    clipped = np.clip(np.sin(2 * np.pi * phase / (N * factor)), -0.5, 0.5)
    kept = np.fft.rfft(clipped)[: N // 2 + 1] / factor
    kept[-1] = 0
    output = np.fft.irfft(kept)[None, None, :].astype(np.float32)
    power = power_spectra(output)[0]
    h1 = power[k]
    power[0] = 0
    power[k::k] = 0
    assert abs(10 * np.log10(power.sum() / h1) - total_alias_db) < 0.01
