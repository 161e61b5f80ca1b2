"""Width and mono_below by closed form."""

import numpy as np
import pytest

from chainweigh.effects import mono_below, width

RATE_HZ = 48_000


def tone(hz, amplitude=0.25, n_frames=RATE_HZ):
    return (amplitude * np.sin(2 * np.pi * hz * np.arange(n_frames) / RATE_HZ)).astype(np.float32)


def gain_db(out, before):
    half = slice(RATE_HZ // 2, None)  # settled
    return 20 * np.log10(np.std(out[half]) / np.std(before[half]))


@pytest.mark.parametrize(("sides", "expected"), [(0.0, 0.0), (50.0, 0.5), (200.0, 2.0)])
def test_width_scales_the_difference_and_leaves_the_sum(run, sides, expected):
    samples = np.stack([tone(300), tone(470)])
    left, right = run(width.EFFECT, samples, sides=sides)
    np.testing.assert_allclose(left - right, expected * (samples[0] - samples[1]), atol=1e-6)
    np.testing.assert_allclose(left + right, samples[0] + samples[1], atol=1e-6)


def test_the_middle_gain_moves_what_the_sides_share_only(run):
    samples = np.stack([tone(300), tone(470)])
    left, right = run(width.EFFECT, samples, middle=6.0)
    np.testing.assert_allclose(left - right, samples[0] - samples[1], atol=1e-6)
    expected = 10 ** (6 / 20) * (samples[0] + samples[1])
    np.testing.assert_allclose(left + right, expected, atol=1e-6)


@pytest.mark.parametrize(("slope", "order"), [(12.0, 1), (24.0, 2)])
@pytest.mark.parametrize("hz", [30.0, 120.0, 480.0])
def test_mono_below_takes_the_sides_lows_as_linkwitz_riley_does(run, slope, order, hz):
    """|H| = r^(2n) / (1 + r^(2n)), r = tan(pi f / fs) / tan(pi fc / fs): Butterworth squared."""
    side = tone(hz)
    left, right = run(mono_below.EFFECT, np.stack([side, -side]), RATE_HZ, slope=slope)
    ratio = (np.tan(np.pi * hz / RATE_HZ) / np.tan(np.pi * 120 / RATE_HZ)) ** (2 * order)
    expected_db = 20 * np.log10(ratio / (1 + ratio))
    assert gain_db(0.5 * (left - right), side) == pytest.approx(expected_db, abs=0.02)


def test_mono_below_leaves_the_sum_and_equal_sides(run):
    samples = np.stack([tone(50) + tone(900), tone(70) - tone(2000)])
    left, right = run(mono_below.EFFECT, samples, RATE_HZ)
    np.testing.assert_allclose(left + right, samples[0] + samples[1], atol=1e-7)
    same = np.stack([samples[0], samples[0]])
    assert run(mono_below.EFFECT, same, RATE_HZ).tobytes() == same.tobytes()
