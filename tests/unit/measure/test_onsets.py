"""Onsets: when none are found, where they are placed, and what leaves them unmoved."""

import numpy as np
import pytest

from chainweigh.errors import SignalError
from chainweigh.measure.onsets import find_onsets

RATE = 44_100


def planar(*rows):
    return np.ascontiguousarray(np.stack(rows), dtype=np.float32)


def tone(frequency_hz, length_s, rate=RATE, phase=0.0):
    return 0.5 * np.sin(2 * np.pi * frequency_hz * np.arange(round(length_s * rate)) / rate + phase)


def noise(exponent, seed, length_s=8):
    """Gaussian noise whose amplitude falls with frequency**exponent: 0 white, -0.5 pink, -1 red."""
    n = length_s * RATE
    frequencies = np.fft.rfftfreq(n)
    frequencies[0] = frequencies[1]
    white = np.fft.rfft(np.random.default_rng(seed).standard_normal(n))
    coloured = np.fft.irfft(white * frequencies**exponent, n)
    return 0.1 * coloured / coloured.std()


def hits_at(times_s, length_s, rate=RATE, decay_s=0.03):
    """Decaying bursts of noise."""
    rng = np.random.default_rng(20)
    signal = np.zeros(round(length_s * rate))
    for time_s in times_s:
        start = round(time_s * rate)
        n = min(round(6 * decay_s * rate), len(signal) - start)
        burst = rng.standard_normal(n) * np.exp(-np.arange(n) / rate / decay_s)
        signal[start : start + n] += 0.2 * burst
    return signal


TIMES_S = [0.3, 0.62, 0.75, 1.1, 1.6, 1.72, 2.05, 2.5]


def test_silence_has_no_onsets():
    assert find_onsets(np.zeros((2, RATE), np.float32), RATE).times_s.size == 0


def test_no_frames_at_all_have_no_onsets():
    assert find_onsets(np.zeros((2, 0), np.float32), RATE).times_s.size == 0


@pytest.mark.parametrize("frequency_hz", [40, 50.3, 440, 997, 10_000])
@pytest.mark.parametrize("phase", [0.0, 1.0, 2.5])
def test_a_steady_tone_has_no_onsets_even_at_the_files_edges(frequency_hz, phase):
    assert find_onsets(planar(tone(frequency_hz, 4, phase=phase)), RATE).times_s.size == 0


@pytest.mark.parametrize("exponent", [0.0, -0.5, -1.0, 0.5])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_steady_noise_has_no_onsets(exponent, seed):
    assert find_onsets(planar(noise(exponent, seed)), RATE).times_s.size == 0


def test_slow_beats_and_vibrato_have_no_onsets():
    beats = 0.5 * (tone(100, 6) + tone(103, 6))
    t = np.arange(6 * RATE) / RATE
    vibrato = 0.3 * np.sin(2 * np.pi * 440 * t + 3 * np.sin(2 * np.pi * 5.5 * t))
    for wave in (beats, vibrato):
        assert find_onsets(planar(wave), RATE).times_s.size == 0


def test_a_tone_that_enters_is_one_onset_where_it_enters():
    wave = np.concatenate([np.zeros(RATE), tone(220, 2)])
    assert find_onsets(planar(wave), RATE).times_s == pytest.approx([1.0], abs=0.002)


def test_a_hit_on_the_first_sample_is_found():
    times = find_onsets(planar(hits_at([0.0, 1.0], 2)), RATE).times_s
    assert times == pytest.approx([0.0, 1.0], abs=0.002)


@pytest.mark.parametrize("rate", [32_000, 44_100, 48_000, 96_000, 192_000])
def test_hard_hits_are_placed_within_two_milliseconds_at_any_rate(rate):
    onsets = find_onsets(planar(hits_at(TIMES_S, 3, rate)), rate)
    assert onsets.times_s == pytest.approx(TIMES_S, abs=0.002)


def test_hits_on_one_side_only_are_found():
    hits = hits_at(TIMES_S, 3)
    for samples in (planar(hits, 0 * hits), planar(0 * hits, hits), planar(hits, -hits)):
        assert find_onsets(samples, RATE).times_s == pytest.approx(TIMES_S, abs=0.002)


def test_hits_over_a_loud_sustained_chord_are_found():
    chord = sum(tone(f, 3) for f in (110, 164.8, 220, 277.2)) / 2
    samples = planar(chord + hits_at(TIMES_S, 3))
    assert find_onsets(samples, RATE).times_s == pytest.approx(TIMES_S, abs=0.004)


@pytest.mark.parametrize("gain", [0.5, 4.0, 2.0**-8])
def test_gain_changes_nothing(gain):
    # Powers of two scale float32 exactly.
    samples = planar(hits_at(TIMES_S, 3) + 0.1 * tone(60, 3))
    plain, scaled = find_onsets(samples, RATE), find_onsets(np.float32(gain) * samples, RATE)
    assert np.array_equal(plain.times_s, scaled.times_s)
    assert scaled.strengths == pytest.approx(plain.strengths, abs=1e-4)


def test_onsets_move_with_the_signal():
    hits = hits_at(TIMES_S, 3)
    n = 12_345
    late = find_onsets(planar(np.concatenate([np.zeros(n), hits])), RATE).times_s
    assert late == pytest.approx(np.array(TIMES_S) + n / RATE, abs=0.002)


def test_a_harder_hit_is_a_stronger_onset():
    soft, hard = 0.1 * hits_at([0.5], 2), hits_at([1.2], 2)
    bed = noise(-0.5, 5, 2) * 0.02
    strengths = find_onsets(planar(soft + hard + bed), RATE).strengths
    assert len(strengths) == 2
    assert strengths[1] > strengths[0] + 3


def test_input_is_checked_at_the_door():
    with pytest.raises(SignalError, match="kHz"):
        find_onsets(np.zeros((1, 100), np.float32), 44)
    with pytest.raises(SignalError, match="float64"):
        find_onsets(np.zeros((1, 100)), RATE)
