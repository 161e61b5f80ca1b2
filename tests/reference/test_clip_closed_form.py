"""The clip against the Fourier series of a hard-clipped sine, derived in closed form.

A sin(t) clipped at rA: with p = arccos r, b1 = 2/pi (arcsin r + r sqrt(1 - r^2)) and, for odd n,
b_n = -2/pi (sin((n-1)p) / (n(n-1)) - sin((n+1)p) / (n(n+1))), re A.
"""

import numpy as np
import pytest

from chainweigh.effects.clip import EFFECT

N = 65536


def _series(ratio, n_max):
    """Amplitudes of harmonics 1, 3, 5 ... re the unclipped sine."""
    angle = np.arccos(ratio)
    n = np.arange(3, n_max + 1, 2).astype(float)
    higher = np.sin((n - 1) * angle) / (n * (n - 1)) - np.sin((n + 1) * angle) / (n * (n + 1))
    first = 2 / np.pi * (np.arcsin(ratio) + ratio * np.sqrt(1 - ratio**2))
    return np.concatenate([[first], -2 / np.pi * higher])


def _spectrum(run, cycles, rate_hz, **settings):
    """Amplitude spectrum over N settled frames of a full-scale sine of cycles/N."""
    tone = np.sin(2 * np.pi * cycles / N * np.arange(N + 8192)).astype(np.float32)[None]
    out = run(EFFECT, tone, rate_hz, **settings)[0, 4096 : 4096 + N]
    return np.fft.rfft(out.astype(np.float64)) * 2 / N


@pytest.fixture
def run():
    def run_effect(effect, samples, rate_hz, **settings):
        complete = {p.name: p.default for p in effect.parameters} | settings
        return effect.process(samples, rate_hz, complete)

    return run_effect


@pytest.mark.parametrize("depth_db", [0.1, 0.5, 1, 2, 3, 6.0206, 12, 20, 40])
@pytest.mark.parametrize("oversample", [8, 16])
def test_harmonics_below_20_khz_match_the_series_within_0_05_db(run, depth_db, oversample):
    cycles, rate_hz = 1361, 48000  # 996.826 Hz
    spectrum = np.abs(_spectrum(run, cycles, rate_hz, ceiling=-depth_db, oversample=oversample))
    f0_hz = cycles * rate_hz / N
    n_harmonics = int(20000 / f0_hz)
    first_folded = int((oversample * rate_hz - 20000) / f0_hz)
    series = np.abs(_series(10 ** (-depth_db / 20), first_folded + 200))
    heard, folded = series[: (n_harmonics + 1) // 2], series[first_folded // 2 :]
    clear = heard > 200 * folded.max()  # a folded line below it moves it by less than 0.045 dB
    assert clear[:3].all()
    measured = spectrum[cycles * np.arange(1, n_harmonics + 1, 2)]
    error_db = 20 * np.log10(measured[clear] / heard[clear])
    assert np.abs(error_db).max() < 0.05


def test_the_printed_values_of_a_6_db_clip_come_out(run):
    """H1 0.60899778 and H3, H5, H7, H9 re H1: -12.905, -26.885, -35.828, -32.905 dB."""
    spectrum = np.abs(_spectrum(run, 1361, 48000, ceiling=-6.0206, oversample=16))
    assert spectrum[1361] == pytest.approx(0.60899778, rel=1e-4)
    relative_db = 20 * np.log10(spectrum[1361 * np.array([3, 5, 7, 9])] / spectrum[1361])
    np.testing.assert_allclose(relative_db, [-12.905, -26.885, -35.828, -32.905], atol=0.02)


def _folded_db(spectrum, cycles, rate_hz):
    frequency_hz = np.arange(len(spectrum)) * rate_hz / N
    inside = (frequency_hz >= 20) & (frequency_hz <= 20000)
    inside[cycles::cycles] = False
    return 10 * np.log10((np.abs(spectrum[inside]) ** 2).sum() / np.abs(spectrum[cycles]) ** 2)


def _ideal_folded_db(cycles, rate_hz, oversample):
    """The series folded about the oversampled rate, then an ideal decimation."""
    series = _series(0.5, 200001)
    order = np.arange(1, 200002, 2)
    high_hz = rate_hz * oversample
    frequency_hz = order * (cycles * rate_hz / N)
    turns = np.round(frequency_hz / high_hz)
    image_hz = np.abs(frequency_hz - high_hz * turns)
    folded = (turns != 0) & (image_hz >= 20) & (image_hz <= 20000)
    return 10 * np.log10((series[folded] ** 2).sum() / series[0] ** 2)


@pytest.mark.parametrize(
    ("cycles", "oversample", "printed_db"),
    [
        (7431, 4, -53),
        (7431, 8, -66),
        (7431, 16, -78),
        (14861, 4, -47),
        (14861, 8, -59),
        (14861, 16, -67),
    ],
)
def test_aliasing_is_what_ideal_filters_would_leave(run, cycles, oversample, printed_db):
    """5 and 10 kHz at 44.1 kHz, 6.02 dB over; the folded series is the best any filter can do."""
    spectrum = _spectrum(run, cycles, 44100, ceiling=-6.0206, oversample=oversample)
    folded_db = _folded_db(spectrum, cycles, 44100)
    assert folded_db == pytest.approx(_ideal_folded_db(cycles, 44100, oversample), abs=0.1)
    assert folded_db == pytest.approx(printed_db, abs=0.5)


@pytest.mark.parametrize(
    ("oversample", "derived_db"), [(4, -46.0), (8, -57.0), (16, -68.6), (32, None)]
)
def test_aliasing_of_10_khz_at_48_khz_is_what_ideal_filters_would_leave(
    run, oversample, derived_db
):
    """Derived from the series, 6.02 dB over; 32 times lies where float32 still tells it apart."""
    cycles = 13653  # 9999.8 Hz
    spectrum = _spectrum(run, cycles, 48000, ceiling=-6.0206, oversample=oversample)
    ideal_db = _ideal_folded_db(cycles, 48000, oversample)
    assert _folded_db(spectrum, cycles, 48000) == pytest.approx(ideal_db, abs=0.1)
    assert derived_db is None or ideal_db == pytest.approx(derived_db, abs=0.1)


def test_plain_clipping_matches_the_clip_of_numpy(run):
    samples = np.random.default_rng(5).standard_normal((2, 5000)).astype(np.float32)
    out = run(EFFECT, samples, 44100, ceiling=0.0, oversample=1)
    np.testing.assert_allclose(out, np.clip(samples, -1, 1), atol=1e-6)
