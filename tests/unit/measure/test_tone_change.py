"""Loudness gained at equal true peak, parted into tone and the rest."""

import numpy as np
import pyebur128
import pytest
from scipy.signal import butter, resample, sosfilt

from chainweigh.errors import SignalError
from chainweigh.measure.fit import fit_linear
from chainweigh.measure.linear_fit import apply_fit
from chainweigh.measure.tone_change import measure_tone_change

RATE_HZ = 44_100


def programme(seed=3, seconds=8):
    """Uneven bursts of flat noise, most of the loudness, over a 30 Hz note, most of the peak."""
    rng = np.random.default_rng(seed)
    n_frames = seconds * RATE_HZ
    time_s = np.arange(n_frames) / RATE_HZ
    bursts = np.repeat(rng.uniform(0.6, 1.0, seconds * 4), RATE_HZ // 4)
    flat = rng.uniform(-0.15, 0.15, (2, n_frames))
    # Up to half the rate the peak between samples would depend on the interpolating filter.
    noise = bursts * sosfilt(butter(8, 15_000, fs=RATE_HZ, output="sos"), flat)
    note = 0.6 * np.sin(2 * np.pi * 30 * time_s) * (1 + 0.1 * np.sin(2 * np.pi * 0.4 * time_s))
    return (noise + note).astype(np.float32)


def low_cut(samples, corner_hz=150):
    sections = butter(4, corner_hz, "highpass", fs=RATE_HZ, output="sos")
    return sosfilt(sections, samples).astype(np.float32)


def tone_change(reference, candidate):
    tone = apply_fit(fit_linear(reference, candidate, sample_rate_hz=RATE_HZ), reference)
    return measure_tone_change(reference, tone, candidate, sample_rate_hz=RATE_HZ)


def outside_plr_db(samples):
    """PLR from libebur128 and the peak of a 16-fold transform interpolation (scipy)."""
    meter = pyebur128.R128State(len(samples), RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    meter.add_frames(np.ascontiguousarray(samples.T).ravel(), samples.shape[1])
    peak = np.abs(resample(samples.astype(np.float64), 16 * samples.shape[1], axis=1)).max()
    return 20 * np.log10(peak) - pyebur128.get_loudness_global(meter)


def test_a_low_cut_is_tone_and_not_a_gain():
    reference = programme()
    change = tone_change(reference, low_cut(reference))
    assert change.loudness_gain_lu > 3
    assert change.tone_gain_lu == pytest.approx(change.loudness_gain_lu, abs=0.02)
    assert change.loudness_gain_less_tone_lu == pytest.approx(0, abs=0.02)
    assert not change.undefined


def test_a_clip_is_a_gain_and_not_tone():
    # Bussgang's theorem: the best linear fit of a clip of white Gaussian noise is a plain gain.
    noise = 0.1 * np.random.default_rng(4).standard_normal((2, 8 * RATE_HZ))
    reference = noise.astype(np.float32)
    change = tone_change(reference, np.clip(reference, -0.25, 0.25))
    assert change.loudness_gain_lu > 1
    # From 8 s the taps are known to about 1e-3 each, which moves the one highest peak a little.
    assert change.tone_gain_lu == pytest.approx(0, abs=0.05)


def test_a_clip_behind_a_low_cut_is_parted_into_both():
    reference = programme()
    cut = low_cut(reference)
    ceiling = 0.4 * float(np.abs(cut).max())
    change = tone_change(reference, np.clip(cut, -ceiling, ceiling))
    # The fit sees the clip too: what it finds is close to the cut, not the cut itself.
    by_cut = outside_plr_db(reference) - outside_plr_db(cut)
    assert change.tone_gain_lu == pytest.approx(by_cut, abs=0.2)
    assert change.loudness_gain_less_tone_lu > 2


def test_the_gain_is_the_difference_of_peak_to_loudness_ratios_that_others_read():
    reference = programme()
    candidate = low_cut(reference)
    expected = outside_plr_db(reference) - outside_plr_db(candidate)
    # The true peaks are found by two interpolation filters.
    assert tone_change(reference, candidate).loudness_gain_lu == pytest.approx(expected, abs=0.05)


def test_a_gain_and_the_parts_add_up():
    reference = programme()
    change = tone_change(reference, np.clip(0.5 * low_cut(reference), -0.06, 0.06))
    parts = change.tone_gain_lu + change.loudness_gain_less_tone_lu
    assert parts == pytest.approx(change.loudness_gain_lu, abs=1e-9)


def test_a_plain_gain_changes_nothing():
    reference = programme()
    change = tone_change(reference, np.float32(0.25) * reference)
    assert change.loudness_gain_lu == pytest.approx(0, abs=1e-4)
    assert change.tone_gain_lu == pytest.approx(0, abs=1e-4)


def test_what_is_undefined_names_the_signal_it_fails_on():
    reference = programme()
    silence = np.zeros_like(reference)
    change = measure_tone_change(reference, reference, silence, sample_rate_hz=RATE_HZ)
    assert change.loudness_gain_lu is None and change.tone_gain_lu == 0
    assert change.undefined["loudness_gain_lu"] == "the candidate: digital silence"
    assert "tone_gain_lu" not in change.undefined


def test_shapes_that_differ_are_refused():
    reference = programme()
    with pytest.raises(SignalError, match="both must have the same"):
        measure_tone_change(reference, reference, reference[:, :-1].copy(), sample_rate_hz=RATE_HZ)
