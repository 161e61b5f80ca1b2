"""Punch against closed forms: gains of whole hits, of one band, of one hit."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from chainweigh.errors import SignalError
from chainweigh.measure.onsets import Onsets
from chainweigh.measure.punch import measure_punch

RATE = 48_000
TIMES_S = np.arange(0.5, 4.5, 0.5)
ONSETS = Onsets(TIMES_S, np.ones(8))


def hits(frequency_hz, levels_db, length_s=0.2, times_s=TIMES_S):
    """Bursts of a tone, each from its time on, faded out over their whole length."""
    signal = np.zeros(round(5 * RATE))
    t = np.arange(round(length_s * RATE)) / RATE
    burst = np.sin(2 * np.pi * frequency_hz * t) * np.cos(0.5 * np.pi * t / length_s) ** 2
    for time_s, level_db in zip(times_s, levels_db, strict=True):
        start = round(time_s * RATE)
        signal[start : start + len(burst)] += 10 ** (level_db / 20) * burst
    return signal


def planar(*rows):
    return np.ascontiguousarray(np.stack(rows), dtype=np.float32)


LEVELS = [-6, -20, -20, -8, -20, -20, -20, -20]  # the loudest quarter: hits 0 and 3
DRUMS = hits(2000, LEVELS) + hits(60, LEVELS)


def test_an_unchanged_candidate_lost_nothing():
    punch = measure_punch(planar(DRUMS), planar(DRUMS), RATE, ONSETS)
    assert punch.punch_change_db == punch.punch_low_change_db == punch.punch_loss_db == 0
    assert punch.n_hits == 2
    assert not punch.undefined


@pytest.mark.parametrize("gain_db", [-3.0, 1.5])
def test_a_gain_changes_both_bands_by_as_much(gain_db):
    candidate = planar(10 ** (gain_db / 20) * DRUMS)
    punch = measure_punch(planar(DRUMS), candidate, RATE, ONSETS)
    assert punch.punch_change_db == pytest.approx(gain_db, abs=1e-4)
    assert punch.punch_low_change_db == pytest.approx(gain_db, abs=1e-4)
    assert punch.punch_worst_db == pytest.approx(gain_db, abs=1e-4)
    assert punch.punch_loss_db == pytest.approx(max(0, -gain_db), abs=1e-4)


def test_the_bands_are_told_apart():
    tame = hits(2000, [db - 4 for db in LEVELS]) + hits(60, LEVELS)
    punch = measure_punch(planar(DRUMS), planar(tame), RATE, ONSETS)
    assert punch.punch_change_db == pytest.approx(-4, abs=0.05)
    assert punch.punch_low_change_db == pytest.approx(0, abs=0.05)
    assert punch.punch_loss_db == pytest.approx(4, abs=0.05)


def test_mean_and_worst_of_the_loudest_quarter():
    # Hit 0 loses 1 dB, hit 3 loses 3 dB, the quiet ones 20 dB that nobody counts.
    losses = [1, 20, 20, 3, 20, 20, 20, 20]
    levels = [level - loss for level, loss in zip(LEVELS, losses, strict=True)]
    punch = measure_punch(planar(hits(2000, LEVELS)), planar(hits(2000, levels)), RATE, ONSETS)
    assert punch.punch_change_db == pytest.approx(-2, abs=0.01)
    assert punch.punch_worst_db == pytest.approx(-3, abs=0.01)
    assert punch.punch_worst_s == pytest.approx(TIMES_S[3])


def test_only_the_first_ten_milliseconds_count_above_200_hz():
    late = DRUMS.copy()
    for time_s in TIMES_S:
        start = round((time_s + 0.011) * RATE)
        late[start : start + RATE // 10] = 0
    punch = measure_punch(planar(DRUMS), planar(late), RATE, ONSETS)
    assert punch.punch_change_db == pytest.approx(0, abs=1e-6)
    assert punch.punch_low_change_db < -3


def test_a_shaved_peak_with_its_body_intact_is_a_small_loss():
    # One sample of a 10 ms burst taken from 1.0 to 0.5: energy 0.75 of 1 + 479 * 0.09 less.
    click = hits(2000, LEVELS)
    start = round(TIMES_S[0] * RATE)
    click[start + 5] += 1.0
    shaved = click.copy()
    shaved[start + 5] -= 0.5
    punch = measure_punch(planar(click), planar(shaved), RATE, Onsets(TIMES_S[:1], np.ones(1)))
    assert -1 < punch.punch_change_db < 0


def test_energies_equal_scipys_filters():
    rng = np.random.default_rng(5)
    noise = 0.1 * rng.standard_normal(5 * RATE)
    reference, candidate = noise, np.tanh(8 * noise) / 8
    punch = measure_punch(planar(reference), planar(candidate), RATE, ONSETS)
    for side, n, found in (
        ("highpass", 480, punch.punch_change_db),
        ("lowpass", 1440, punch.punch_low_change_db),
    ):
        sos = butter(4, 200, side, fs=RATE, output="sos")
        before, after = (
            np.array(
                [np.sum(sosfilt(sos, x)[s : s + n] ** 2) for s in (TIMES_S * RATE).astype(int)]
            )
            for x in (reference, candidate)
        )
        loudest = np.argsort(before)[-2:]
        expected = np.mean(10 * np.log10(after[loudest] / before[loudest]))
        assert found == pytest.approx(expected, abs=1e-4)


def test_both_channels_add_up():
    # One side loses everything: half the energy.
    drums = hits(2000, LEVELS)
    punch = measure_punch(planar(drums, drums), planar(drums, 0 * drums), RATE, ONSETS)
    assert punch.punch_change_db == pytest.approx(10 * np.log10(0.5), abs=1e-4)


def test_hats_have_no_weight_to_lose_and_the_sub_no_attack():
    hats, sub = planar(hits(9000, LEVELS)), planar(hits(45, LEVELS, length_s=0.4))
    assert (
        "below 200 Hz" in measure_punch(hats, hats, RATE, ONSETS).undefined["punch_low_change_db"]
    )
    high = measure_punch(hats, hats, RATE, ONSETS)
    assert high.punch_low_worst_db is None
    assert high.punch_loss_db == 0
    assert measure_punch(sub, sub, RATE, ONSETS).punch_low_change_db == 0


def test_without_onsets_everything_is_undefined():
    none = Onsets(np.empty(0), np.empty(0))
    punch = measure_punch(planar(DRUMS), planar(DRUMS), RATE, none)
    assert punch.punch_change_db is punch.punch_low_change_db is punch.punch_loss_db is None
    assert punch.undefined["punch_change_db"] == "no onsets"
    assert punch.n_hits == 0


def test_a_candidate_that_is_silent_at_a_hit_is_undefined_not_minus_infinity():
    gone = DRUMS.copy()
    gone[: round(2.4 * RATE)] = 0
    punch = measure_punch(planar(DRUMS), planar(gone), RATE, ONSETS)
    assert punch.punch_change_db is None
    assert "silent" in punch.undefined["punch_change_db"]


def test_silence_is_undefined():
    silence = np.zeros((1, 5 * RATE), np.float32)
    punch = measure_punch(silence, silence, RATE, ONSETS)
    assert punch.punch_change_db is punch.punch_low_change_db is None


def test_onsets_of_another_file_are_refused():
    with pytest.raises(SignalError, match="another file"):
        measure_punch(planar(DRUMS), planar(DRUMS), RATE, Onsets(np.array([9.0]), np.ones(1)))
