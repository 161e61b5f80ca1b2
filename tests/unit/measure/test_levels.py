"""Levels against closed forms: crest factor and RMS of standard waveforms, PLR of tones."""

import math

import mpmath
import numpy as np
import pytest

from chainweigh.errors import SignalError
from chainweigh.measure.levels import measure_levels, plr_db
from chainweigh.measure.loudness import measure_loudness

RATE = 48_000
PHASE = np.arange(RATE) / 480  # 100 Hz, whole periods
SINE_DB = float(10 * mpmath.log10(2))  # 3.0103


def planar(*rows):
    return np.ascontiguousarray(np.stack(rows), dtype=np.float32)


def sampled_rms_db(wave):
    """RMS of the stored samples in 30-digit arithmetic."""
    with mpmath.workdps(30):
        values = [mpmath.mpf(float(v)) for v in wave[:480]]
        return float(10 * mpmath.log10(mpmath.fsum(v * v for v in values) / len(values)))


# Crest factors: textbook closed forms of the continuous waves.
WAVES = {
    "sine": (np.sin(2 * np.pi * PHASE), SINE_DB),
    "square": (np.where(PHASE % 1 < 0.5, 1.0, -1.0), 0.0),
    "sawtooth": (2 * ((PHASE + 0.5 / 480) % 1) - 1, 4.7712),
    "half-wave": (np.maximum(np.sin(2 * np.pi * PHASE), 0), 2 * SINE_DB),
    "full-wave": (np.abs(np.sin(2 * np.pi * PHASE)), SINE_DB),
    "pulse of duty 1/16": (np.where(PHASE % 1 < 1 / 16, 1.0, 0.0), 12.0412),
}


@pytest.mark.parametrize("name", WAVES)
def test_crest_factors_of_standard_waveforms(name):
    wave, crest_db = WAVES[name]
    levels = measure_levels(planar(wave), RATE)
    # 480 samples a period: the sampled sawtooth's peak is 1 - 1/480.
    assert levels.crest_db == pytest.approx(crest_db, abs=0.02 if name == "sawtooth" else 2e-4)


@pytest.mark.parametrize("name", WAVES)
def test_rms_equals_high_precision_arithmetic(name):
    samples = planar(0.7 * WAVES[name][0])
    expected = sampled_rms_db(samples[0])
    levels = measure_levels(samples, RATE)
    assert levels.rms_db == pytest.approx(expected, abs=1e-9)
    assert levels.rms_aes17_dbfs == pytest.approx(expected + SINE_DB, abs=1e-9)
    assert levels.rms_max_300ms_db == pytest.approx(expected, abs=1e-9)


def test_a_full_scale_sine_reads_minus_3_01_plain_and_0_dbfs_as_aes17():
    levels = measure_levels(planar(*[WAVES["sine"][0]] * 2), RATE)
    assert levels.sample_peak_dbfs == pytest.approx(0.0, abs=1e-6)
    assert levels.rms_db == pytest.approx(-3.0103, abs=1e-4)
    assert levels.rms_aes17_dbfs == pytest.approx(0.0, abs=1e-6)
    assert levels.dc_offset == pytest.approx((0.0, 0.0), abs=1e-9)


def test_a_full_scale_square_reads_plus_3_01_dbfs_as_aes17():
    levels = measure_levels(planar(WAVES["square"][0]), RATE)
    assert levels.rms_aes17_dbfs == pytest.approx(3.0103, abs=1e-4)


def test_one_silent_channel_of_two_halves_the_power_and_keeps_the_peak():
    levels = measure_levels(planar(WAVES["square"][0], np.zeros(RATE)), RATE)
    assert levels.rms_db == pytest.approx(-SINE_DB, abs=1e-9)
    assert levels.sample_peak_dbfs == 0.0


def test_maximum_rms_finds_300_ms_on_the_10_ms_grid():
    wave = np.full(RATE, 0.01)
    wave[RATE // 4 : RATE // 4 + 14_400] = 0.5
    levels = measure_levels(planar(wave), RATE)
    assert levels.rms_max_300ms_db == pytest.approx(20 * math.log10(0.5), abs=1e-9)


def test_the_incomplete_last_hop_counts_for_peak_and_rms():
    wave = np.zeros(480 * 40 + 7)
    wave[-1] = -0.5
    levels = measure_levels(planar(wave), RATE)
    assert levels.sample_peak_dbfs == pytest.approx(-6.0206, abs=1e-4)
    assert levels.rms_db == pytest.approx(10 * math.log10(0.25 / len(wave)), abs=1e-9)
    assert levels.rms_max_300ms_db is None
    assert levels.undefined == {"rms_max_300ms_db": "digital silence"}


def test_dc_offset_is_signed_and_per_channel():
    levels = measure_levels(planar(np.full(RATE, 0.25), np.full(RATE, -0.125)), RATE)
    assert levels.dc_offset == (0.25, -0.125)
    assert levels.rms_db == pytest.approx(10 * math.log10((0.0625 + 0.015625) / 2), abs=1e-9)


def test_levels_above_full_scale_are_not_clamped():
    levels = measure_levels(planar(np.full(RATE, 2.0)), RATE)
    assert levels.sample_peak_dbfs == pytest.approx(6.0206, abs=1e-4)


@pytest.mark.parametrize("rate", [11_025, 44_100, 192_000])
def test_other_rates(rate):
    wave = np.sin(2 * np.pi * 100 * np.arange(rate) / rate)
    levels = measure_levels(planar(wave), rate)
    assert levels.rms_db == pytest.approx(-SINE_DB, abs=1e-4)
    assert levels.rms_max_300ms_db == pytest.approx(-SINE_DB, abs=1e-3)


def test_silence_has_no_level_in_db_but_a_dc_offset():
    levels = measure_levels(np.zeros((2, RATE), dtype=np.float32), RATE)
    assert levels.dc_offset == (0.0, 0.0)
    fields = {"sample_peak_dbfs", "rms_db", "rms_aes17_dbfs", "rms_max_300ms_db", "crest_db"}
    assert levels.undefined == dict.fromkeys(fields, "digital silence")
    assert all(getattr(levels, name) is None for name in fields)


def test_one_sample_has_levels_but_no_300_ms():
    levels = measure_levels(np.array([[-0.5]], dtype=np.float32), RATE)
    assert levels.sample_peak_dbfs == levels.rms_db == pytest.approx(-6.0206, abs=1e-4)
    assert levels.crest_db == 0.0
    assert levels.dc_offset == (-0.5,)
    assert "300 ms" in levels.undefined["rms_max_300ms_db"]


def test_no_frames_no_levels():
    levels = measure_levels(np.zeros((2, 0), dtype=np.float32), RATE)
    assert levels.dc_offset == (None, None)
    assert set(levels.undefined.values()) == {"no frames"}
    assert levels.rms_db is None


@pytest.mark.parametrize(
    ("samples", "rate", "says"),
    [
        (np.array([[0.0, np.nan]], dtype=np.float32), RATE, "NaN or Inf"),
        (np.zeros(9, dtype=np.float32), RATE, "shape"),
        (np.zeros((1, 9), dtype=np.float32), 0, "8000 to 384000"),
    ],
)
def test_unusable_input_is_refused(samples, rate, says):
    with pytest.raises(SignalError, match=says):
        measure_levels(samples, rate)


def tone(seconds, n_channels):
    wave = np.sin(2 * np.pi * 997 / RATE * np.arange(seconds * RATE))
    return planar(*[wave] * n_channels)


@pytest.mark.parametrize(("n_channels", "expected"), [(1, 3.0103), (2, 0.0)])
def test_plr_of_a_full_scale_tone(n_channels, expected):
    integrated = measure_loudness(tone(5, n_channels), RATE).integrated_lufs
    assert plr_db(0.0, integrated) == pytest.approx(expected, abs=0.001)


@pytest.mark.parametrize("pair", [(None, -9.0), (-1.0, None), (-math.inf, -9.0)])
def test_plr_needs_both(pair):
    assert plr_db(*pair) is None
