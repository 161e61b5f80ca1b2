"""True peak as a measure: closed forms, edges, the silence rule and what it refuses."""

import numpy as np
import pytest

from chainweigh.errors import SignalError
from chainweigh.kernels import native_library
from chainweigh.measure.true_peak import measure_true_peak, true_peak, true_peak_dbtp


def test_a_quarter_rate_tone_at_45_degrees_peaks_3_01_db_above_its_samples():
    """20 log10 sqrt(2) = 3.0103 dB, closed form."""
    frames = np.arange(48000)
    fade = np.minimum(1.0, np.minimum(frames, frames[::-1]) / 2000)
    tone = (fade * 0.5 * np.sin(np.pi / 2 * frames + np.pi / 4)).astype(np.float32)[None]
    result = measure_true_peak(tone, 48000)
    assert result.true_peak_dbtp - result.sample_peak_dbfs == pytest.approx(3.0103, abs=0.001)
    assert result.sample_peak_dbfs == pytest.approx(-9.0309, abs=0.001)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 88200, 96000, 176400, 192000])
@pytest.mark.parametrize("frequency_hz", [997.0, 7993.0, 15013.0, 19997.0])
def test_a_tone_reads_its_amplitude_up_to_20_khz_at_every_rate(rate_hz, frequency_hz):
    """Within 0.1 dB of the ideal; the grid alone may miss 0.042 dB (BS.1770-5 Annex 2, Att. 1)."""
    frames = np.arange(rate_hz // 2)
    window = np.hanning(len(frames))
    tone = (window * 0.8 * np.sin(2 * np.pi * frequency_hz / rate_hz * frames)).astype(np.float32)
    level_dbtp = true_peak_dbtp(tone[None], rate_hz)
    assert level_dbtp == pytest.approx(20 * np.log10(0.8), abs=0.045)


def test_a_pulse_train_of_alternating_halves_reads_its_closed_form():
    """Eight samples of +-1, signs turned in the middle: sum of |sinc(k + 1/2)|, 6.585 dB."""
    half = np.arange(4)
    left, right = (-1.0) ** half[::-1], (-1.0) ** half
    samples = np.zeros((1, 400), np.float32)
    samples[0, 196:204] = np.concatenate([left, right])
    ideal_db = 20 * np.log10(np.abs(np.sinc(np.arange(-4, 4) + 0.5)).sum())
    assert ideal_db == pytest.approx(6.585, abs=0.001)
    assert true_peak_dbtp(samples, 48000) == pytest.approx(ideal_db, abs=0.1)


def test_a_file_that_ends_at_a_non_zero_level_rings_above_it():
    """The partial sums of a band-limited step overshoot: 1.178980 is Gibbs' limit, closed form."""
    samples = np.full((1, 4800), 0.5, np.float32)
    assert 0.5 * 1.05 < true_peak(samples, 48000) < 0.5 * 1.178980
    time_s = measure_true_peak(samples, 48000).peak_time_s
    assert min(time_s, 4799 / 48000 - time_s) < 1 / 48000


def test_the_peak_time_is_that_of_the_pulse():
    samples = np.zeros((2, 48000), np.float32)
    samples[1, 12000] = -0.7
    result = measure_true_peak(samples, 48000)
    assert result.peak_time_s == 0.25
    assert result.true_peak_dbtp == pytest.approx(20 * np.log10(0.7), abs=1e-5)


def test_the_largest_channel_counts_and_order_of_channels_does_not():
    rng = np.random.default_rng(3)
    samples = rng.standard_normal((2, 9000)).astype(np.float32)
    both = true_peak(samples, 44100)
    assert both == max(true_peak(samples[:1], 44100), true_peak(samples[1:], 44100))
    assert both == true_peak(np.ascontiguousarray(samples[::-1]), 44100)


@pytest.mark.parametrize("n_frames", [0, 1, 33, 10000])
def test_silence_has_no_level_and_says_why(n_frames):
    silence = np.zeros((2, n_frames), np.float32)
    result = measure_true_peak(silence, 44100)
    assert true_peak(silence, 44100) == 0.0
    assert true_peak_dbtp(silence, 44100) is None
    assert set(result.undefined) == {
        "true_peak_dbtp",
        "true_peak_annex2_dbtp",
        "sample_peak_dbfs",
        "peak_time_s",
    }
    assert result.true_peak_dbtp is result.peak_time_s is None


@pytest.mark.parametrize("scale", [1e-40, 1e-20, 100.0])
def test_very_quiet_and_very_loud_signals_read_their_level(scale):
    pulse = np.zeros((1, 500), np.float32)
    pulse[0, 250] = scale
    assert true_peak(pulse, 48000) == pytest.approx(scale, rel=1e-4)


@pytest.mark.parametrize("compiled", [native_library.compiled, False])
@pytest.mark.parametrize("mode", ["precise", "annex2"])
@pytest.mark.parametrize(("value", "frame"), [(np.nan, 0), (np.inf, 1234), (-np.inf, 2999)])
def test_a_sample_that_is_no_number_is_named_wherever_it_lies(
    monkeypatch, compiled, mode, value, frame
):
    monkeypatch.setattr(native_library, "compiled", compiled)
    samples = np.full((2, 3000), 0.5, np.float32)
    samples[1, frame] = value
    with pytest.raises(SignalError, match=f"sample {frame} of channel 1"):
        true_peak(samples, 48000, mode=mode)


def test_what_is_not_audio_is_refused():
    with pytest.raises(SignalError, match="NaN"):
        true_peak(np.full((1, 10), np.nan, np.float32), 48000)
    with pytest.raises(SignalError, match="kHz"):
        true_peak(np.zeros((1, 10), np.float32), 48)
    with pytest.raises(SignalError, match="annex2"):
        true_peak(np.zeros((1, 10), np.float32), 48000, mode="exact")
