"""The masked clip: ceiling, null, reach, and what is heard of it beside the plain clip."""

import numpy as np
import pytest

from chainweigh.audio.array import from_db
from chainweigh.effects import clip, masked_clip
from chainweigh.measure.audibility import measure_audibility
from chainweigh.measure.true_peak import true_peak, true_peak_dbtp

RATE_HZ = 44_100


def _programme(seconds=2.0, rate_hz=RATE_HZ, seed=4):
    """Kick and hats over a chord, peaking at full scale; the sides differ."""
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    rng = np.random.default_rng(seed)
    beat = t % 0.5
    kick = np.sin(2 * np.pi * (50 * beat + 6 * (1 - np.exp(-beat * 40)))) * np.exp(-beat * 9)
    hats = rng.standard_normal((2, len(t))) * np.exp(-(t % 0.125) * 60) * 0.12
    chord = sum(np.sin(2 * np.pi * f * t) for f in (220.0, 277.2, 329.6)) * 0.07
    both = np.stack([kick + chord, kick - 0.5 * chord]) + hats
    return (both / np.abs(both).max()).astype(np.float32)


def _stems():
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    swell = np.sin(np.pi * t / 2) ** 2
    chord = sum(np.sin(2 * np.pi * f * t) for f in (196.0, 246.9, 293.7, 392.0))
    bass = sum(np.sin(2 * np.pi * 55 * k * t) / k for k in range(1, 9))
    return {
        "kick, hats and chord": _programme(),
        "chord": np.array([swell * chord, swell * chord * 0.8], dtype=np.float32) / 4,
        "bass": np.array([swell * bass], dtype=np.float32),
    }


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("depth_db", [1.0, 3.0, 9.0])
def test_no_true_peak_passes_the_ceiling_by_more_than_0_01_db(run, rate_hz, depth_db):
    samples = _programme(rate_hz=rate_hz)
    out = run(masked_clip.EFFECT, samples, rate_hz, ceiling=-depth_db)
    assert true_peak(samples, rate_hz) >= 1
    assert -0.1 < true_peak_dbtp(out, rate_hz) + depth_db <= 0.01


@pytest.mark.parametrize("stem", list(_stems()))
def test_its_worst_frame_is_heard_at_least_4_db_less_than_the_clip_at_equal_true_peak(run, stem):
    samples = _stems()[stem]
    top = true_peak_dbtp(samples, RATE_HZ)
    clipped = run(clip.EFFECT, samples, ceiling=top - 3, oversample=16)
    out = run(masked_clip.EFFECT, samples, ceiling=true_peak_dbtp(clipped, RATE_HZ))
    plain, hidden = (measure_audibility(samples, y, sample_rate_hz=RATE_HZ) for y in (clipped, out))
    assert hidden.nmr_worst_db < plain.nmr_worst_db - 4
    assert hidden.nmr_mean_db < plain.nmr_mean_db
    assert hidden.disturbed_pct <= plain.disturbed_pct


def test_a_peak_changes_nothing_earlier_than_5_ms_before_it_nor_later_than_13_ms_after(run):
    """4 ms and 12 ms of gate, and the width of a trim."""
    samples = 0.05 * _programme()
    samples[:, 40_000:40_100] += np.hanning(100).astype(np.float32)
    over = np.flatnonzero((np.abs(samples) > from_db(-6.0)).any(axis=0))
    changed = np.flatnonzero(
        (run(masked_clip.EFFECT, samples, ceiling=-6.0) != samples).any(axis=0)
    )
    assert len(over)
    assert changed[0] >= over[0] - 0.005 * RATE_HZ
    assert changed[-1] <= over[-1] + 0.013 * RATE_HZ


def test_a_second_pass_at_the_same_ceiling_changes_nothing(run):
    once = run(masked_clip.EFFECT, _programme(), ceiling=-4.0)
    assert np.array_equal(run(masked_clip.EFFECT, once, ceiling=-4.0), once)


def test_a_silent_side_signal_stays_silent_and_hiding_less_changes_less(run):
    mono = _programme().mean(axis=0, keepdims=True)
    tilted = np.concatenate([mono, -mono])  # the middle is silent
    full = run(masked_clip.EFFECT, tilted, ceiling=-4.0, hide=100.0)
    half = run(masked_clip.EFFECT, tilted, ceiling=-4.0, hide=50.0)
    loss = np.square(full - tilted).sum()
    assert np.abs(full.sum(axis=0)).max() < 1e-4 * np.abs(full - tilted).max()
    assert np.square(half - tilted).sum() < 0.8 * loss
