"""Fitted reference and residual on programmes whose residual is known."""

import numpy as np
import pytest
from scipy.signal import lfilter

from chainweigh.errors import SignalError
from chainweigh.measure.linear_fit import LinearFit
from chainweigh.measure.residual import FittedReference, fit_reference, measure_residual

RATE = 48_000


def planar(rows):
    return np.ascontiguousarray(np.atleast_2d(rows), dtype=np.float32)


def noise(seconds=8.0, seed=1, n_channels=2):
    rng = np.random.default_rng(seed)
    return planar(0.1 * rng.standard_normal((n_channels, round(seconds * RATE))))


def sine(frequency_hz, seconds=4.0):
    return np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * RATE)) / RATE)


def weigh(reference, candidate):
    fitted = fit_reference(reference, candidate, sample_rate_hz=RATE)
    return fitted, measure_residual(fitted, candidate, sample_rate_hz=RATE)


def test_gains_at_rest_leave_the_reference_as_it_is():
    reference = noise(2.0)
    fitted = fit_reference(reference, reference, sample_rate_hz=RATE)
    assert np.abs(fitted.samples - reference).max() < 1e-6 * np.abs(reference).max()
    assert fitted.gain_movement_db == pytest.approx(0, abs=1e-4)


def test_identity_is_undefined_with_a_reason():
    reference = noise(2.0)
    _, residual = weigh(reference, reference)
    assert residual.sdr_db is residual.residual_pct is residual.low_band_residual_db is None
    assert "identical" in residual.undefined["sdr_db"]


def test_a_gain_reads_as_identical():
    reference = noise(2.0)
    _, residual = weigh(reference, planar(0.25 * reference))
    assert "identical" in residual.undefined["sdr_db"]


@pytest.mark.parametrize(
    "overdrive_db, thd_r_pct", [(1, 4.626596), (2, 9.210617), (3, 13.261348), (6.0206, 22.686458)]
)
def test_a_clipped_sine_leaves_its_closed_form_distortion(overdrive_db, thd_r_pct):
    """THD_R of a symmetric hard clip: closed form, sqrt(1 - b1^2 / 2P)."""
    tone = planar(0.5 * sine(997))
    limit = 0.5 * 10 ** (-overdrive_db / 20)
    _, residual = weigh(tone, np.clip(tone, -np.float32(limit), np.float32(limit)))
    # the first and last 200 ms hold half a window, hence not tighter
    assert residual.residual_pct == pytest.approx(thd_r_pct, rel=0.01)
    expected_sdr_db = -20 * np.log10(np.tan(np.arcsin(thd_r_pct / 100)))
    assert residual.sdr_db == pytest.approx(expected_sdr_db, abs=0.1)


def test_added_noise_reads_at_its_level():
    """Independent noise 20 dB down: SDR 20 dB; the gains can explain a few percent of it."""
    reference = noise()
    _, residual = weigh(reference, planar(reference + 0.1 * noise(seed=2)))
    assert residual.sdr_db == pytest.approx(20.0, abs=0.15)


def test_slow_gain_is_absorbed_and_reported():
    """+-3 dB sine in dB: the 5th and 95th percentiles of a sine lie at +-sin(0.9 pi / 2)."""
    reference = noise()
    gain_db = 3 * sine(0.5, 8.0)
    fitted, residual = weigh(reference, planar(reference * 10 ** (gain_db / 20)))
    assert fitted.gain_movement_db == pytest.approx(6 * np.sin(0.45 * np.pi), abs=0.35)
    assert residual.sdr_db > 35


def test_the_moment_is_told_at_which_the_gain_is_low():
    """Turned down by 6 dB for one second in eight: 13 %, so the 5th percentile lies within."""
    reference = noise()
    time_s = np.arange(reference.shape[1]) / RATE
    down = np.interp(time_s, [4.9, 5.1, 5.9, 6.1], [1, 0.5, 0.5, 1])
    fitted, residual = weigh(reference, planar(reference * down))
    assert 5.0 < fitted.gain_low_s < 6.0
    assert residual.gain_low_s == fitted.gain_low_s


def test_fast_gain_is_residual_and_not_gain_movement():
    """Amplitude modulation at 20 Hz, depth m: side bands hold m^2 / 2 of the energy."""
    reference = noise()
    _, residual = weigh(reference, planar(reference * (1 + 0.2 * sine(20, 8.0))))
    assert residual.sdr_db == pytest.approx(-10 * np.log10(0.2**2 / 2), abs=0.4)
    swing_db = 20 * np.log10(1.2 / 0.8)
    assert residual.gain_movement_db < swing_db / 2


def test_movement_in_one_octave_is_seen():
    reference = noise()
    spectrum = np.fft.rfft(reference)
    frequency_hz = np.fft.rfftfreq(reference.shape[1], 1 / RATE)
    treble = np.fft.irfft(spectrum * (frequency_hz > 6000), reference.shape[1])
    half = 0.5 + 0.5 * (sine(0.5, 8.0) > 0)
    fitted, _ = weigh(reference, planar(reference - treble + half * treble))
    assert fitted.gain_movement_db == pytest.approx(6.02, abs=0.6)


def test_what_lies_in_the_middle_stays_there_when_both_sides_were_turned_down_alike():
    """Gains of either side by itself would differ wherever a panned sound is within 200 ms."""
    n = 4 * RATE
    time_s = np.arange(n) / RATE
    middle = noise(4.0, n_channels=1)[0] * np.exp(-12 * (time_s % 0.5))
    panned = noise(4.0, seed=2, n_channels=1)[0] * ((time_s % 0.5 > 0.3) & (time_s % 0.5 < 0.35))
    reference = planar([middle + 0.1 * panned, middle])
    turned_down = 1 - 0.2 * np.exp(-np.minimum(time_s % 0.5, 0.3) / 0.03)
    fitted, _ = weigh(reference, planar(reference * turned_down))
    only_middle = slice(n // 2, n // 2 + RATE // 5)
    assert np.array_equal(*fitted.samples[:, only_middle])


def test_sides_turned_down_apart_are_followed_apart():
    reference = noise()
    swell = 10 ** (3 * sine(0.5, 8.0) / 20)
    fitted, residual = weigh(reference, planar([reference[0] * swell, 0.5 * reference[1]]))
    assert residual.sdr_db > 35
    assert fitted.gain_movement_db == pytest.approx(6 * np.sin(0.45 * np.pi), abs=0.35)


def test_low_band_residual_is_read_apart():
    """60 Hz at a tenth of 45 Hz: 0.01 / 1.01 of the low band's energy, beside louder treble."""
    low, high = 0.2 * sine(45), 0.4 * sine(5000)
    reference = planar(low + high)
    _, residual = weigh(reference, planar(low + high + 0.02 * sine(60)))
    assert residual.low_band_residual_db == pytest.approx(-20.04, abs=0.3)


@pytest.mark.parametrize("rate, length", [(8_000, 8192), (44_100, 8192), (96_000, 16_384)])
def test_the_low_band_is_that_of_hann_frames_in_double_precision(rate, length):
    """Truth: numpy.fft.rfft of frames half a length apart, silence around the signal."""
    rng = np.random.default_rng(8)
    fitted = rng.standard_normal((2, 3 * rate + 77)).astype(np.float32)
    candidate = fitted + (0.1 * rng.standard_normal(fitted.shape)).astype(np.float32)
    given = FittedReference(fitted, LinearFit(np.ones(1), 0, None), None)
    measured = measure_residual(given, candidate, sample_rate_hz=rate).low_band_residual_db
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
    low = slice(round(30 * length / rate), round(80 * length / rate) + 1)
    energies = []
    for signal in (np.float64(candidate - fitted), np.float64(candidate)):
        padded = np.pad(signal, ((0, 0), (length, length)))
        frames = np.lib.stride_tricks.sliding_window_view(padded, length, axis=1)
        spectra = np.fft.rfft(frames[:, :: length // 2] * window)
        energies.append(np.sum(np.abs(spectra[..., low]) ** 2))
    assert measured == pytest.approx(10 * np.log10(energies[0] / energies[1]), abs=1e-5)


def test_a_programme_without_bass_has_no_low_band_residual():
    high = planar(0.4 * sine(5000))
    _, residual = weigh(high, np.clip(high, np.float32(-0.3), np.float32(0.3)))
    assert residual.low_band_residual_db is None
    assert residual.undefined["low_band_residual_db"].startswith("the candidate holds next to")


def test_a_given_fit_is_used():
    reference = noise(2.0)
    fit = LinearFit(np.zeros(1), 0, None)
    fitted = fit_reference(reference, reference, sample_rate_hz=RATE, fit=fit)
    assert not fitted.samples.any()
    assert fitted.fit is fit


def test_pumping_by_10_db_moves_the_gains_beyond_3():
    n = 8 * RATE
    dips_db = -10 * np.exp(-np.minimum(np.arange(n) % (RATE // 2) / RATE, 1) / 0.15)
    reference = noise()
    fitted, _ = weigh(reference, planar(reference * 10 ** (dips_db / 20)))
    assert fitted.gain_movement_db > 3


def test_an_equaliser_moves_no_gain():
    reference = noise()
    candidate = planar(lfilter([1.0, -0.4], [1.0, 0.2], reference))
    fitted, residual = weigh(reference, candidate)
    assert fitted.gain_movement_db < 0.01
    assert residual.sdr_db is None or residual.sdr_db > 90


def test_silence_is_undefined_with_a_reason():
    reference = noise(2.0)
    silence = np.zeros_like(reference)
    _, residual = weigh(reference, silence)
    assert residual.sdr_db is residual.gain_movement_db is None
    assert residual.undefined["sdr_db"] == "the candidate is silent"
    _, residual = weigh(silence, reference)
    assert residual.residual_pct == pytest.approx(100)
    assert residual.undefined["sdr_db"] == "nothing of the reference is in the candidate"


@pytest.mark.parametrize("rate", [8000, 44_100, 96_000])
def test_other_rates_are_measured_alike(rate):
    reference = noise(4.0)
    candidate = planar(reference + 0.1 * noise(4.0, seed=2))
    fitted = fit_reference(reference, candidate, sample_rate_hz=rate)
    residual = measure_residual(fitted, candidate, sample_rate_hz=rate)
    assert residual.sdr_db == pytest.approx(20, abs=0.5)


@pytest.mark.parametrize("n_frames", [1, 100, 2049])
def test_short_signals_are_measured(n_frames):
    reference = noise()[:, :n_frames].copy()
    _, residual = weigh(reference, planar(0.5 * reference))
    assert "identical" in residual.undefined["sdr_db"]


def test_bad_input_is_refused():
    reference = noise(1.0)
    fitted = fit_reference(reference, reference, sample_rate_hz=RATE)
    with pytest.raises(SignalError, match="shape"):
        fit_reference(reference, reference[:1].copy(), sample_rate_hz=RATE)
    with pytest.raises(SignalError, match="shape"):
        measure_residual(fitted, reference[:, 1:].copy(), sample_rate_hz=RATE)
    with pytest.raises(SignalError, match="float32"):
        fit_reference(reference.astype(np.float64), reference, sample_rate_hz=RATE)
