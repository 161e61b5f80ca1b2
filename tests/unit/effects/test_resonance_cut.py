"""Resonance cut: its gain on a tone by closed form, its times and band, and noise left alone."""

import numpy as np
import pytest

from chainweigh.effects.resonance_cut import EFFECT, transform_frames
from chainweigh.errors import ChainFileError
from chainweigh.kernels import native_library
from chainweigh.kernels.resonance import CutRules, resonance_cuts, resonance_cuts_twin

RATE_HZ = 44_100
SIZE = 2048


def tone(at_bin, seconds=2.0, amplitude=0.3):
    n = np.arange(int(seconds * RATE_HZ))
    return (amplitude * np.sin(2 * np.pi * at_bin * n / SIZE))[np.newaxis].astype(np.float32)


def gain_db(out, samples, window=slice(RATE_HZ, 2 * RATE_HZ - SIZE)):
    """Gain of what the output holds of the samples, by correlation."""
    before, after = samples[0, window].astype(np.float64), out[0, window].astype(np.float64)
    return 20 * np.log10(after @ before / (before @ before))


@pytest.mark.parametrize("at_bin", [93, 400])
@pytest.mark.parametrize("max_cut", [6.0, 30.0])
@pytest.mark.parametrize("smoothing", [0.5, 1.0])
def test_a_steady_tone_is_turned_down_to_the_margin(run, at_bin, max_cut, smoothing):
    """Under a Hann window all of a tone is in three bins, which among n stand n/3 above the mean"""
    samples = tone(at_bin)
    out = run(EFFECT, samples, RATE_HZ, max_cut=max_cut, smoothing=smoothing, margin=4.0)
    half = 2 ** (smoothing / 2)
    n_around = 1 + np.rint(at_bin * half) - np.rint(at_bin / half)
    expected_db = -min(max_cut, 10 * np.log10(n_around / 3) - 4.0)
    assert gain_db(out, samples) == pytest.approx(expected_db, abs=0.02)
    steady = slice(RATE_HZ, -SIZE)
    left = out[0, steady] - 10 ** (gain_db(out, samples) / 20) * samples[0, steady]
    assert np.std(left) < 1e-4 * np.std(samples)  # gain only: a tone stays a tone


@pytest.mark.parametrize("at_bin", [93.25, 400.5])
def test_a_tone_between_bins_stays_a_tone(run, at_bin):
    samples = tone(at_bin)
    out = run(EFFECT, samples, RATE_HZ, max_cut=6.0)[:, RATE_HZ:-SIZE]
    gain = 10 ** (-6 / 20)
    assert np.std(out - gain * samples[:, RATE_HZ:-SIZE]) < 0.003 * np.std(samples)


def test_a_cut_sets_in_and_lets_go_with_its_time_constants(run):
    """Cut in dB: 1 - exp(-t / attack) of it, then exp(-t / release); windows blur by 23 ms."""
    samples = 0.03 * np.random.default_rng(3).standard_normal((1, 3 * RATE_HZ))
    samples[0, RATE_HZ // 2 : 3 * RATE_HZ // 2] += tone(400)[0, :RATE_HZ]
    samples = samples.astype(np.float32)
    out = run(EFFECT, samples, RATE_HZ, max_cut=12.0, attack=200.0, release=300.0, margin=6.0)
    for begin_s, share in (
        (0.5, lambda t: 1 - np.exp(-t / 0.2)),
        (1.5, lambda t: np.exp(-t / 0.3)),
    ):
        for after_s in (0.1, 0.2, 0.4):
            first = round((begin_s + after_s) * RATE_HZ) - SIZE // 2
            spectra = [
                np.fft.rfft(np.hanning(SIZE) * signal[0, first : first + SIZE])[399:402]
                for signal in (samples, out)
            ]
            before, after = (np.sum(np.abs(s) ** 2) for s in spectra)
            assert -10 * np.log10(after / before) == pytest.approx(12 * share(after_s), abs=1.0)


def test_noise_keeps_its_level_and_a_resonance_in_it_loses_some(run):
    from scipy.signal import lfilter, welch

    noise = 0.1 * np.random.default_rng(5).standard_normal(6 * RATE_HZ)
    pole = 0.997 * np.exp(2j * np.pi * 3000 / RATE_HZ)
    ringing = noise + 0.03 * lfilter([1], [1, -2 * pole.real, abs(pole) ** 2], noise)
    samples = ringing[np.newaxis].astype(np.float32)
    out = run(EFFECT, samples, RATE_HZ, max_cut=12.0)
    hz, before = welch(samples[0], RATE_HZ, nperseg=4096)
    _, after = welch(out[0], RATE_HZ, nperseg=4096)
    change_db = 10 * np.log10(after / before)
    assert change_db[np.argmin(abs(hz - 3000))] < -3
    assert np.abs(change_db[(hz > 5000) & (hz < 14_000)]).max() < 0.5
    assert change_db.max() < 0.1


def test_nothing_outside_the_band_is_touched(run):
    samples = tone(23) + tone(400)
    out = run(EFFECT, samples, RATE_HZ, low=1000.0, high=8000.0, max_cut=20.0)
    np.testing.assert_allclose(out[:, :-SIZE], samples[:, :-SIZE], atol=2e-6)
    assert gain_db(run(EFFECT, samples, RATE_HZ, max_cut=20.0), tone(400)) < -6


@pytest.mark.parametrize("at_bin", [23, 23.37])
def test_what_rounding_leaves_beside_a_tone_is_no_resonance(run, at_bin):
    samples, settled = tone(at_bin), slice(RATE_HZ, 2 * RATE_HZ - SIZE)
    out = run(EFFECT, samples, RATE_HZ, low=2000.0)
    assert np.array_equal(out[:, settled], samples[:, settled])


def test_both_sides_share_their_gains(run):
    samples = np.concatenate([tone(93), 0.25 * tone(93)])
    out = run(EFFECT, samples, RATE_HZ)
    np.testing.assert_allclose(out[1], 0.25 * out[0], atol=1e-6)


@pytest.mark.parametrize("rate_hz", [8000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
def test_a_window_is_32_to_47_ms_at_every_rate(rate_hz):
    assert 32 <= 1000 * transform_frames(rate_hz) / rate_hz <= 47


def test_the_band_may_reach_from_20_hz_to_half_the_rate(run):
    samples = tone(1020)
    out = run(EFFECT, samples, RATE_HZ, low=20.0, high=22_049.0)
    assert gain_db(out, samples) == pytest.approx(-6.0, abs=0.1)


def test_a_band_the_rate_cannot_hold_or_upside_down_is_refused():
    with pytest.raises(ChainFileError, match='"high" is 30000 Hz; at 44100 Hz'):
        EFFECT.check_at_rate(RATE_HZ, {"low": 100.0, "high": 30_000.0})
    with pytest.raises(ChainFileError, match='"low" is 5000 Hz; it must be below "high", 400 Hz'):
        EFFECT.check_at_rate(RATE_HZ, {"low": 5000.0, "high": 400.0})


@pytest.mark.skipif(not native_library.compiled, reason="no compiled kernels")
@pytest.mark.parametrize("margin_db", [0.0, 3.0])
def test_the_kernel_equals_its_twin_to_float32_rounding(margin_db):
    rng = np.random.default_rng(9)
    spectra = rng.standard_normal((2, 40, 257)) + 1j * rng.standard_normal((2, 40, 257))
    spectra[:, 10:30, 50:52] *= 20
    spectra = spectra.astype(np.complex64)
    rules = CutRules(range(2, 250), 0.7, margin_db, 9.0, attack=0.6, release=0.2)
    state_db, twin_state_db = np.zeros(248), np.zeros(248)
    cuts = resonance_cuts(spectra, rules, state_db)
    expected = resonance_cuts_twin(spectra, rules, twin_state_db)
    assert expected.max() > 5
    np.testing.assert_allclose(cuts, expected, atol=1e-6)
    np.testing.assert_allclose(state_db, twin_state_db, atol=1e-6)
    assert resonance_cuts(np.zeros_like(spectra), rules, np.zeros(248)) is None
