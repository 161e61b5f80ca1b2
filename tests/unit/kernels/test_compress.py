"""The compressor kernel against published curve and ballistics, and against its twin.

Source: D. Giannoulis, M. Massberg, J. D. Reiss, JAES 60(6), 2012. The curve values follow from the
paper's soft-knee formula, the ballistics from its smooth decoupled detector, both in closed form.
"""

from dataclasses import replace
from math import exp, inf

import numpy as np
import pytest

from chainweigh.kernels.compress import (
    Compression,
    compress_samples,
    compress_samples_twin,
    per_frame_factor,
    reduction_db,
)

RATE_HZ = 48_000
INSTANT = Compression(-20, 4, 0, attack_ms=0, release_ms=0)

CURVE = [
    (-20, 4, 0, {-20: 0, -10: -7.5, 0: -15}),
    (
        -20,
        4,
        10,
        {
            -25: 0,
            -22.5: -0.234375,
            -20: -0.9375,
            -17.5: -2.109375,
            -15: -3.75,
            -10: -7.5,
            0: -15,
        },
    ),
    (
        -24,
        2,
        6,
        {-27: 0, -25.5: -0.09375, -24: -0.375, -22.5: -0.84375, -21: -1.5, -14: -5, 0: -12},
    ),
    (-18, 10, 6, {-19.5: -0.16875, -18: -0.675, -15: -2.7, 0: -16.2}),
    (-6, inf, 6, {-7.5: -0.1875, -6: -0.75, -3: -3, 0: -6}),
]
POINTS = [(t, r, w, x, gain) for t, r, w, points in CURVE for x, gain in points.items()]


def steady(level_db: float, n_frames: int) -> np.ndarray:
    return np.full((1, n_frames), 10 ** (level_db / 20), np.float32)


def gain_db(samples: np.ndarray, compression: Compression) -> np.ndarray:
    out = compress_samples(samples, RATE_HZ, compression=compression)
    return 20 * np.log10(out.astype(float) / samples)


def loud_and_quiet(n_channels: int = 2) -> np.ndarray:
    drawn = np.random.default_rng(8)
    levels = np.repeat(10 ** (drawn.uniform(-60, 12, (n_channels, 40)) / 20), 500, axis=1)
    return (drawn.uniform(-1, 1, levels.shape) * levels).astype(np.float32)


@pytest.mark.parametrize(("threshold", "ratio", "knee", "level_db", "expected_db"), POINTS)
def test_the_static_curve_is_the_papers(
    threshold: float, ratio: float, knee: float, level_db: float, expected_db: float
) -> None:
    compression = replace(INSTANT, threshold_dbfs=threshold, ratio=ratio, knee_db=knee)
    twin_db = reduction_db(np.array([float(level_db)]), compression)
    assert -twin_db == pytest.approx([expected_db], abs=1e-9)
    found_db = gain_db(steady(level_db, 600), compression)[0, -1]
    assert found_db == pytest.approx(expected_db, abs=2e-5)


@pytest.mark.parametrize("ratio", [1.5, 4, inf])
def test_the_curve_is_within_a_ten_thousandth_of_a_db_over_220_db(ratio: float) -> None:
    levels_db = np.linspace(-160, 60, 20_001)
    samples = (10 ** (levels_db / 20)).astype(np.float32)[None]
    compression = replace(INSTANT, ratio=ratio, knee_db=6)
    expected_db = -reduction_db(20 * np.log10(samples[0].astype(float)), compression)
    assert np.abs(gain_db(samples, compression)[0] - expected_db).max() < 5e-5


def test_factors_a_frame_are_the_papers() -> None:
    assert per_frame_factor(10, 48_000) == pytest.approx(0.9979188352992993, abs=1e-15)
    assert per_frame_factor(1, 48_000) == pytest.approx(0.9793821813312401, abs=1e-15)
    assert per_frame_factor(100, 48_000) == pytest.approx(0.9997916883665486, abs=1e-15)
    assert per_frame_factor(0, 48_000) == 0


STEP = Compression(-20, inf, 0, attack_ms=10, release_ms=100)


@pytest.mark.parametrize(("time_ms", "reduction"), [(10, 6.32121), (20, 8.64665), (50, 9.93262)])
def test_attack_follows_the_closed_form(time_ms: int, reduction: float) -> None:
    samples = np.concatenate([steady(-60, 1_000), steady(-10, 4_800)], axis=1)
    found = -gain_db(samples, STEP)[0, 1_000:]
    assert found[time_ms * RATE_HZ // 1000 - 1] == pytest.approx(reduction, abs=1e-4)


@pytest.mark.parametrize(("time_ms", "reduction"), [(10, 9.64437), (100, 4.08707), (110, 3.69816)])
def test_release_is_smoothed_by_the_attack_too(time_ms: int, reduction: float) -> None:
    n_loud = RATE_HZ
    samples = np.concatenate([steady(-10, n_loud), steady(-60, 9_600)], axis=1)
    found = -gain_db(samples, STEP)[0, n_loud:]
    assert found[time_ms * RATE_HZ // 1000 - 1] == pytest.approx(reduction, abs=1.5e-3)
    exact = _release(time_ms * RATE_HZ // 1000)
    assert found[time_ms * RATE_HZ // 1000 - 1] == pytest.approx(exact, abs=1e-4)


def _release(n: int) -> float:
    """Closed form of two one-pole falls in series, n frames after a settled 10 dB."""
    fast, slow = exp(-1 / 480), exp(-1 / 4_800)
    share = (1 - fast) * slow / (slow - fast)
    return 10 * (fast**n + share * (slow**n - fast**n))


def test_rms_settles_to_the_mean_square_with_its_time_constant() -> None:
    compression = replace(INSTANT, threshold_dbfs=-80, ratio=inf, rms=True)
    found = gain_db(steady(0, 4_800), compression)[0]
    mean_square = 1 - exp(-1 / 480) ** np.array([1, 480, 4_800])
    assert -found[[0, 479, 4_799]] == pytest.approx(80 + 10 * np.log10(mean_square), abs=1e-4)


def test_lookahead_begins_early_and_lets_go_when_the_sound_ends() -> None:
    """Closed form of the attack read 10 ms later; the release is that of no look-ahead."""
    n_loud, n_ahead = RATE_HZ, 480
    samples = np.concatenate([steady(-60, 4_800), steady(-10, n_loud), steady(-60, 9_600)], axis=1)
    found = -gain_db(samples, replace(STEP, lookahead_ms=10))[0]
    plain = -gain_db(samples, STEP)[0]
    assert not found[: 4_800 - n_ahead].any()
    after = np.array([-480, -1, 0, 479, 2_399])
    expected = 10 * (1 - exp(-1 / 480) ** (after + n_ahead + 1))
    assert found[4_800 + after] == pytest.approx(expected, abs=1e-4)
    assert found[-9_600:] == pytest.approx(plain[-9_600:], abs=1e-4)


def test_lookahead_is_ready_for_a_file_that_starts_loud() -> None:
    found = -gain_db(steady(-10, 100), replace(STEP, lookahead_ms=10))[0]
    assert found[0] == pytest.approx(10 * (1 - exp(-481 / 480)), abs=1e-4)


@pytest.mark.parametrize("n_ahead", [1, 255, 256, 257, 700])
def test_a_short_peak_is_held_over_the_lookahead(n_ahead: int) -> None:
    samples = steady(-60, 3_000)
    samples[0, 1_500] = 1
    found = -gain_db(samples, replace(INSTANT, lookahead_ms=n_ahead / 48))[0]
    assert np.flatnonzero(found) == pytest.approx(np.arange(1_500 - n_ahead, 1_501))
    assert found[found > 0] == pytest.approx(15, abs=5e-5)


def test_averaging_sets_the_time_constant_of_rms() -> None:
    compression = Compression(-80, inf, 0, 0, 0, rms=True, averaging_ms=50)
    found = gain_db(steady(0, 4_800), compression)[0, 2_399]
    assert -found == pytest.approx(80 + 10 * np.log10(1 - exp(-1)), abs=1e-4)


@pytest.mark.parametrize("rms", [False, True])
@pytest.mark.parametrize("link", [0.0, 0.4, 1.0])
@pytest.mark.parametrize(("mix", "lookahead_ms", "low_cut_hz"), [(0.3, 0, 0), (1.0, 7.1, 150)])
@pytest.mark.parametrize("n_channels", [1, 2])
def test_kernel_and_twin_agree(
    rms: bool, link: float, mix: float, lookahead_ms: float, low_cut_hz: float, n_channels: int
) -> None:
    samples = loud_and_quiet(n_channels)
    compression = Compression(
        *(-24, 6, 8, 3, 60),
        rms=rms,
        lookahead_ms=lookahead_ms,
        detector_low_cut_hz=low_cut_hz,
        link=link,
        mix=mix,
    )
    found = compress_samples(samples, 44_100, compression=compression)
    twin = compress_samples_twin(samples, 44_100, compression=compression)
    assert np.abs(found - twin).max() <= 6e-6 * np.abs(twin).max()
    assert np.abs(20 * np.log10(np.abs(found / twin))).max() < 5e-5


@pytest.mark.parametrize("n_frames", [0, 1, 7, 8, 9, 255, 256, 257, 513])
def test_any_length_works_and_equals_the_start_of_a_longer_one(n_frames: int) -> None:
    samples = loud_and_quiet()
    whole = compress_samples(samples, RATE_HZ, compression=STEP)
    part = np.ascontiguousarray(samples[:, :n_frames])
    found = compress_samples(part, RATE_HZ, compression=STEP)
    assert np.array_equal(found, whole[:, :n_frames])


def test_swapped_sides_give_swapped_output() -> None:
    samples = loud_and_quiet()
    compression = replace(STEP, link=0.4, rms=True)
    straight = compress_samples(samples, RATE_HZ, compression=compression)
    swapped = np.ascontiguousarray(samples[::-1])
    assert np.array_equal(
        compress_samples(swapped, RATE_HZ, compression=compression)[::-1], straight
    )


def test_reduction_ends_and_later_frames_pass_every_bit() -> None:
    n_quiet = 4 * RATE_HZ
    samples = np.concatenate([steady(0, 4_800), steady(-40, n_quiet)], axis=1)
    out = compress_samples(samples, RATE_HZ, compression=STEP)
    assert not np.array_equal(out[:, 4_800:9_600], samples[:, 4_800:9_600])
    assert np.array_equal(out[:, -RATE_HZ:], samples[:, -RATE_HZ:])


def test_more_than_two_channels_are_refused() -> None:
    with pytest.raises(ValueError, match="3 channels to compress; 1 or 2"):
        compress_samples(np.zeros((3, 10), np.float32), RATE_HZ, compression=STEP)
