"""Stereo image against closed forms: equal, opposite, one-sided and rotated channels."""

import numpy as np
import pyebur128
import pytest

from chainweigh.errors import SignalError
from chainweigh.measure.image import measure_image, measure_image_change

RATE = 48_000
TONE = 0.3 * np.sin(2 * np.pi * 997 * np.arange(4 * RATE) / RATE)
# In quadrature over whole periods: exactly uncorrelated with TONE.
OTHER = 0.3 * np.cos(2 * np.pi * 997 * np.arange(4 * RATE) / RATE)


def planar(left, right):
    return np.ascontiguousarray(np.stack([left, right]), dtype=np.float32)


def test_equal_channels_are_mono_and_lose_nothing():
    image = measure_image(planar(TONE, TONE), RATE)
    assert image.correlation == pytest.approx(1, abs=1e-12)
    assert image.fold_down_loss_lu == pytest.approx(0, abs=1e-6)
    assert image.side_to_middle_db is None
    assert "equal" in image.undefined["side_to_middle_db"]


def test_opposite_channels_cancel():
    image = measure_image(planar(TONE, -TONE), RATE)
    assert image.correlation == pytest.approx(-1, abs=1e-12)
    assert image.side_to_middle_db is image.fold_down_loss_lu is None
    assert "cancel" in image.undefined["side_to_middle_db"]
    assert "folded" in image.undefined["fold_down_loss_lu"]


def test_uncorrelated_channels_lose_three_decibels():
    image = measure_image(planar(TONE, OTHER), RATE)
    assert image.correlation == pytest.approx(0, abs=1e-6)
    assert image.side_to_middle_db == pytest.approx(0, abs=1e-5)
    assert image.fold_down_loss_lu == pytest.approx(10 * np.log10(2), abs=1e-3)


def test_a_silent_side_leaves_the_correlation_undefined():
    image = measure_image(planar(TONE, 0 * TONE), RATE)
    assert image.correlation is None
    assert image.undefined == {"correlation": "one side is silent"}
    assert image.side_to_middle_db == pytest.approx(0, abs=1e-6)
    # 1 on one side; a half on both: 2 / 4.
    assert image.fold_down_loss_lu == pytest.approx(10 * np.log10(2), abs=1e-6)


@pytest.mark.parametrize("angle_deg", [5, 20, 40, 60, 85])
def test_a_middle_and_side_of_known_levels(angle_deg):
    # Middle cos, side sin, uncorrelated: ratio tan, correlation cos(2 angle), loss -20 log cos.
    angle = np.radians(angle_deg)
    middle, side = np.cos(angle) * TONE, np.sin(angle) * OTHER
    image = measure_image(planar(middle + side, middle - side), RATE)
    assert image.side_to_middle_db == pytest.approx(20 * np.log10(np.tan(angle)), abs=1e-4)
    assert image.correlation == pytest.approx(np.cos(2 * angle), abs=1e-6)
    assert image.fold_down_loss_lu == pytest.approx(-20 * np.log10(np.cos(angle)), abs=1e-3)


def test_correlation_equals_numpys_for_signals_without_an_offset():
    rng = np.random.default_rng(2)
    left, right = rng.multivariate_normal([0, 0], [[1, 0.4], [0.4, 2]], 4 * RATE).T * 0.1
    left, right = left - left.mean(), right - right.mean()
    expected = np.corrcoef(left, right)[0, 1]
    assert measure_image(planar(left, right), RATE).correlation == pytest.approx(expected, abs=1e-6)


def libebur128_lufs(samples):
    state = pyebur128.R128State(2, RATE, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples.T).ravel(), samples.shape[1])
    return pyebur128.get_loudness_global(state)


def test_fold_down_loss_equals_libebur128s():
    rng = np.random.default_rng(7)
    common, left, right = 0.1 * rng.standard_normal((3, 6 * RATE))
    stereo = planar(common + left, common - 0.5 * left + 0.3 * right)
    folded = np.stack([stereo.mean(axis=0)] * 2)
    expected = libebur128_lufs(stereo) - libebur128_lufs(folded)
    assert measure_image(stereo, RATE).fold_down_loss_lu == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("gain", [0.1, 2.0])
def test_gain_changes_nothing(gain):
    plain, scaled = (measure_image(planar(g * (TONE + OTHER), g * TONE), RATE) for g in (1, gain))
    assert scaled.correlation == pytest.approx(plain.correlation, abs=1e-6)
    assert scaled.side_to_middle_db == pytest.approx(plain.side_to_middle_db, abs=1e-5)
    assert scaled.fold_down_loss_lu == pytest.approx(plain.fold_down_loss_lu, abs=1e-5)


def test_one_channel_and_silence_have_no_image():
    mono = measure_image(TONE[np.newaxis].astype(np.float32), RATE)
    silent = measure_image(np.zeros((2, RATE), np.float32), RATE)
    for image, reason in ((mono, "one channel"), (silent, "silent")):
        assert image.correlation is image.side_to_middle_db is image.fold_down_loss_lu is None
        assert len(image.undefined) == 3
        assert all(reason in text for text in image.undefined.values())


def test_a_signal_shorter_than_a_loudness_block_has_no_fold_down_loss():
    image = measure_image(planar(TONE[:9600], OTHER[:9600]), RATE)
    assert image.correlation is not None
    assert image.fold_down_loss_lu is None
    assert "400 ms" in image.undefined["fold_down_loss_lu"]


@pytest.mark.parametrize(("angle_deg", "flagged"), [(25, False), (35, True)])
def test_a_candidate_that_loses_over_one_unit_more_in_mono_is_flagged(angle_deg, flagged):
    # -20 log cos: 0.85 LU at 25 degrees, 1.73 at 35; the reference loses nothing.
    angle = np.radians(angle_deg)
    middle, side = np.cos(angle) * TONE, np.sin(angle) * OTHER
    change = measure_image_change(planar(TONE, TONE), planar(middle + side, middle - side), RATE)
    assert change.fold_down_loss_change_lu == pytest.approx(-20 * np.log10(np.cos(angle)), abs=1e-3)
    assert change.fold_down_flagged == flagged
    assert change.correlation_change == pytest.approx(np.cos(2 * angle) - 1, abs=1e-6)
    assert change.side_to_middle_change_db is None
    assert change.undefined["side_to_middle_change_db"].startswith("reference: ")


def test_a_candidate_that_vanishes_in_mono_is_flagged():
    change = measure_image_change(planar(TONE, OTHER), planar(TONE, -TONE), RATE)
    assert change.fold_down_loss_change_lu is None
    assert change.fold_down_flagged
    assert change.undefined["fold_down_loss_change_lu"].startswith("candidate: ")


def test_different_shapes_are_refused():
    with pytest.raises(SignalError, match="same channels"):
        measure_image_change(planar(TONE, TONE), planar(TONE[1:], TONE[1:]), RATE)
