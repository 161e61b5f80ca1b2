"""Transient and shorten on synthetic hits whose onsets, gains and decays are closed forms."""

import numpy as np
import pytest

from chainweigh.effects import shorten, transient

RATE_HZ = 48_000
HITS_S = (0.1, 0.6, 1.1)


def hits(decay_s=0.5, hz=200.0, seconds=1.6, amplitude=0.5):
    """Tones that begin at their peak and fall by 60 dB in decay_s."""
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    out = np.zeros(len(time_s))
    for start in HITS_S:
        since = time_s - start
        ring = np.cos(2 * np.pi * hz * since) * 10 ** (-3 * since / decay_s)
        out += np.where((since >= 0) & (since < 0.5), ring, 0)
    return (amplitude * out)[np.newaxis].astype(np.float32)


def gain_db(out, samples, at_s):
    """Gain of the loudest samples within 1 ms of a time."""
    near = slice(round((at_s - 1e-3) * RATE_HZ), round((at_s + 1e-3) * RATE_HZ))
    loudest = np.argmax(np.abs(samples[0, near]))
    return 20 * np.log10(out[0, near][loudest] / samples[0, near][loudest])


@pytest.mark.parametrize(("onset", "body"), [(6.0, 0.0), (-9.0, 0.0), (0.0, 5.0), (4.0, -6.0)])
def test_onset_and_body_of_every_hit_get_exactly_their_gains(run, onset, body):
    samples = hits()
    out = run(transient.EFFECT, samples, RATE_HZ, onset=onset, body=body, length=40.0)
    for start in HITS_S:
        first = round(start * RATE_HZ)
        assert out[0, first] == pytest.approx(10 ** (onset / 20) * samples[0, first], rel=1e-5)
        assert gain_db(out, samples, start + 0.008) == pytest.approx(onset, abs=0.01)
        for later in (0.045, 0.2, 0.4):
            assert gain_db(out, samples, start + later) == pytest.approx(body, abs=0.01)


@pytest.mark.parametrize("after_ms", [20.0, 25.0, 32.0])
def test_the_onsets_share_falls_as_its_closed_form_says(run, after_ms):
    """A level that jumps out of silence stands -20 log10(1 - exp(-t / T)) dB above its follower."""
    samples = np.zeros((1, RATE_HZ), np.float32)
    samples[0, 4800:] = 0.25
    out = run(transient.EFFECT, samples, RATE_HZ, onset=6.0, length=40.0)
    at = 4800 + round(after_ms * RATE_HZ / 1000)
    constant_ms = 40 / -np.log(1 - 10 ** (-3 / 20))
    rise_db = -20 * np.log10(1 - np.exp(-after_ms / constant_ms))
    # the 1 ms ahead and the box-car of 1 ms leave the gain within half a millisecond
    assert 20 * np.log10(out[0, at] / 0.25) == pytest.approx((rise_db - 3) / 6 * 6, abs=0.3)


def test_a_steady_sound_has_no_onset_but_its_first(run):
    tone = np.cos(2 * np.pi * 40 * np.arange(2 * RATE_HZ) / RATE_HZ)
    samples = (0.3 * tone)[np.newaxis].astype(np.float32)
    out = run(transient.EFFECT, samples, RATE_HZ, onset=12.0, length=30.0)
    assert out[0, RATE_HZ // 10 :].tobytes() == samples[0, RATE_HZ // 10 :].tobytes()


def test_shorten_passes_every_bit_until_its_fade_and_then_turns_down_by_the_depth(run):
    samples = hits(decay_s=2.0)
    out = run(shorten.EFFECT, samples, RATE_HZ, length=120.0, fade=25.0, depth=40.0)
    for start in HITS_S:
        kept = slice(round(start * RATE_HZ), round((start + 0.0895) * RATE_HZ))
        assert out[0, kept].tobytes() == samples[0, kept].tobytes()
        assert gain_db(out, samples, start + 0.105) == pytest.approx(-6.0, abs=1.0)
        for later in (0.123, 0.3, 0.48):
            assert gain_db(out, samples, start + later) == pytest.approx(-40.0, abs=0.01)


@pytest.mark.parametrize("length_ms", [50.0, 100.0, 200.0])
def test_the_time_in_which_a_hit_decays_by_60_db_is_the_length(run, length_ms):
    """The tone by itself takes 2 s for it; the half cosine is 60 dB down at its end."""
    samples = hits(decay_s=2.0, hz=1000.0)
    out = run(shorten.EFFECT, samples, RATE_HZ, length=length_ms, fade=50.0, depth=90.0)
    for start in HITS_S:
        ring = np.abs(out[0, round(start * RATE_HZ) : round((start + 0.45) * RATE_HZ)])
        last = np.flatnonzero(ring > 0.5e-3)[-1]
        assert last * 1000 / RATE_HZ == pytest.approx(length_ms, rel=0.03, abs=1.0)


def test_a_rise_below_the_setting_is_no_new_hit(run):
    samples = hits(decay_s=2.0)
    samples[0, round(0.4 * RATE_HZ) :] *= np.float32(10 ** (10 / 20))
    settings = {"length": 100.0, "depth": 60.0}
    for rise, expected_db in ((6.0, 0.0), (20.0, -60.0)):
        out = run(shorten.EFFECT, samples, RATE_HZ, rise=rise, **settings)
        assert gain_db(out, samples, 0.43) == pytest.approx(expected_db, abs=0.01)


def test_both_sides_share_one_gain(run):
    samples = np.concatenate([hits(), 0.1 * hits(hz=431.0)])
    for effect, settings in (
        (transient.EFFECT, {"onset": 6.0}),
        (shorten.EFFECT, {"length": 80.0}),
    ):
        left, right = run(effect, samples, RATE_HZ, **settings)
        loud = (np.abs(samples[0]) > 1e-3) & (np.abs(samples[1]) > 1e-4)
        ratio = left[loud] / samples[0, loud] / (right[loud] / samples[1, loud])
        np.testing.assert_allclose(ratio, 1, atol=1e-5)
