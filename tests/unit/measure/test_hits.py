"""Level of hits against tones of known peak."""

import numpy as np
import pytest

from chainweigh.measure.hits import measure_hits

RATE = 48_000


def hits_level_dbfs(*arguments):
    return measure_hits(*arguments).level_dbfs


def sample_peak(samples, sample_rate_hz):
    return float(np.abs(samples).max())


def pings(levels_db, spacing_s=0.25, lead_s=0.1):
    """Decaying 1 kHz tones whose first crest, a quarter period in, lies at the level."""
    t = np.arange(round(spacing_s * RATE)) / RATE
    shape = np.sin(2 * np.pi * 1000 * t) * np.exp(-t / 0.02)
    shape /= np.abs(shape).max()
    parts = [np.zeros(round(lead_s * RATE)), *(10 ** (db / 20) * shape for db in levels_db)]
    return np.concatenate(parts)[np.newaxis].astype(np.float32)


def test_equal_hits_read_their_peak():
    assert hits_level_dbfs(pings([-6.0] * 12), RATE, sample_peak) == pytest.approx(-6, abs=1e-4)


def test_the_median_of_the_loudest_quarter_counts():
    # Eight hits: the loudest quarter is -2 and -4 dB, its median the mean of their amplitudes.
    levels = [-20, -4, -18, -12, -2, -16, -14, -10]
    expected = 20 * np.log10((10 ** (-2 / 20) + 10 ** (-4 / 20)) / 2)
    assert hits_level_dbfs(pings(levels), RATE, sample_peak) == pytest.approx(expected, abs=1e-4)


def test_a_quarter_is_rounded_up():
    # Five hits: two count.
    levels = [-20, -4, -18, -2, -10]
    expected = 20 * np.log10((10 ** (-2 / 20) + 10 ** (-4 / 20)) / 2)
    assert hits_level_dbfs(pings(levels), RATE, sample_peak) == pytest.approx(expected, abs=1e-4)


def test_one_stray_sample_moves_the_level_little():
    hits = pings([-6.0] * 32)
    stray = hits.copy()
    stray[0, RATE] = 1.0
    level = hits_level_dbfs(stray, RATE, sample_peak)
    assert sample_peak(stray, RATE) == 1.0
    assert level == pytest.approx(-6.0, abs=0.01)


def test_only_the_loudest_ten_seconds_count():
    quiet, loud = pings([-20.0] * 60, lead_s=0.5), pings([-6.0] * 40, lead_s=0.5)
    lone = pings([0.0], lead_s=1.0)
    samples = np.concatenate([lone, quiet, loud], axis=1)
    assert hits_level_dbfs(samples, RATE, sample_peak) == pytest.approx(-6.0, abs=0.01)


def test_a_slow_attack_is_heard_out():
    # A horn-like tone takes 0.2 s from its onset to its peak of -6 dB.
    t = np.arange(2 * RATE) / RATE
    swell = np.minimum(t / 0.2, 1) * np.exp(-np.maximum(t - 0.2, 0) / 0.2)
    horn = swell * sum(np.sin(2 * np.pi * 220 * k * t) / k for k in range(1, 9))
    horn *= 10 ** (-6 / 20) / np.abs(horn).max()
    samples = np.tile(np.concatenate([np.zeros(RATE // 2), horn]), 4)[np.newaxis]
    level = hits_level_dbfs(samples.astype(np.float32), RATE, sample_peak)
    assert level == pytest.approx(-6.0, abs=1e-4)


@pytest.mark.parametrize("gain_db", [-40.0, -7.3, 5.0])
def test_a_gain_moves_the_level_by_as_much(gain_db):
    hits = pings([-9, -6, -12, -7, -8, -6.5, -10])
    louder = (10 ** (gain_db / 20) * hits).astype(np.float32)
    change = hits_level_dbfs(louder, RATE) - hits_level_dbfs(hits, RATE)
    assert change == pytest.approx(gain_db, abs=1e-3)


def test_peaks_between_samples_count_by_default():
    # A tone at a quarter of the rate, sampled 45 degrees off its crests: 3.01 dB between samples.
    n = np.arange(RATE // 4)
    envelope = np.minimum(n / 200, 1) * np.exp(-np.maximum(n - 4000, 0) / 1500)
    burst = 0.5 * np.sin(np.pi / 2 * n + np.pi / 4) * envelope
    samples = np.tile(np.concatenate([np.zeros(RATE // 4), burst]), 4)[np.newaxis]
    samples = samples.astype(np.float32)
    assert hits_level_dbfs(samples, RATE, sample_peak) == pytest.approx(-9.03, abs=0.02)
    assert hits_level_dbfs(samples, RATE) == pytest.approx(-6.02, abs=0.05)


def test_the_louder_channel_counts():
    hits = pings([-6.0] * 8)[0]
    both = np.stack([0.25 * hits, hits])
    assert hits_level_dbfs(both, RATE, sample_peak) == pytest.approx(-6.0, abs=1e-4)


def swelling_tone(levels_db):
    """200 Hz whose 400 ms blocks peak at the levels, gliding between them without an onset."""
    t = np.arange(round(0.4 * RATE) * len(levels_db)) / RATE
    envelope_db = np.interp(t / 0.4, np.arange(len(levels_db)) + 0.5, levels_db)
    return (10 ** (envelope_db / 20) * np.sin(2 * np.pi * 200 * t))[np.newaxis].astype(np.float32)


def test_without_onsets_the_loudest_quarter_of_400_ms_blocks_counts_and_it_is_said():
    # Eight blocks: the loudest quarter peaks at -2 and -4 dB, its median the mean of amplitudes.
    tone = swelling_tone([-20, -17, -13, -8, -2, -4, -9, -14])
    expected = 20 * np.log10((10 ** (-2 / 20) + 10 ** (-3 / 20)) / 2)  # block 6 begins at -3 dB
    hits = measure_hits(tone, RATE, sample_peak)
    assert hits.from_blocks
    assert hits.level_dbfs == pytest.approx(expected, abs=0.02)
    assert not measure_hits(pings([-6.0] * 4), RATE, sample_peak).from_blocks


def test_one_stray_sample_moves_a_held_tone_little():
    tone = swelling_tone([-6.0] * 20)
    tone[0, RATE] = 0.9
    assert hits_level_dbfs(tone, RATE, sample_peak) == pytest.approx(-6.0, abs=0.01)


def test_blocks_of_silence_around_a_swell_do_not_count():
    swell = np.pad(swelling_tone([-60, -6, -6, -60]), ((0, 0), (0, 8 * RATE)))
    assert hits_level_dbfs(swell, RATE, sample_peak) == pytest.approx(-6.0, abs=0.01)


@pytest.mark.parametrize("samples", [np.zeros((2, RATE)), np.zeros((1, 0))])
def test_in_silence_the_level_is_undefined(samples):
    assert hits_level_dbfs(samples.astype(np.float32), RATE) is None
