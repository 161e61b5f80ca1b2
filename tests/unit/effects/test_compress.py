import math

import numpy as np
import pytest

from chainweigh.audio.array import from_db, to_db
from chainweigh.effects import effect
from chainweigh.effects.base import complete_settings
from chainweigh.errors import ChainFileError

COMPRESS = effect("compress")
RATE_HZ = 48_000


def run(samples: np.ndarray, **given: object) -> np.ndarray:
    return COMPRESS.process(samples, RATE_HZ, complete_settings(COMPRESS, given))


def level(level_db: float, n_frames: int = 9_600) -> np.ndarray:
    return np.full(n_frames, from_db(level_db), np.float32)


def noise(peak_db: float) -> np.ndarray:
    drawn = np.random.default_rng(3).uniform(-1, 1, (2, 20_000))
    return (drawn * from_db(peak_db)).astype(np.float32)


@pytest.mark.parametrize("detector", ["peak", "rms"])
def test_ratio_one_and_mix_nought_pass_every_bit(detector: str) -> None:
    samples = noise(0)
    for given in ({"ratio": 1.0}, {"ratio": 20.0, "mix": 0.0}):
        out = run(samples, threshold=-40.0, detector=detector, **given)
        assert np.array_equal(out, samples)


@pytest.mark.parametrize("detector", ["peak", "rms"])
@pytest.mark.parametrize("knee", [0.0, 6.0])
def test_what_stays_below_the_knee_passes_every_bit(detector: str, knee: float) -> None:
    samples = noise(-23.01)
    out = run(samples, threshold=-20.0, ratio=20.0, knee=knee, detector=detector)
    assert np.array_equal(out, samples)


def test_a_settled_sine_is_reduced_by_the_curve_at_its_peak() -> None:
    """The held detector keeps the peak of a tone: the curve holds for sines, not only for DC."""
    n_frames = RATE_HZ
    tone = np.sin(2 * np.pi * 1000 / RATE_HZ * np.arange(n_frames)).astype(np.float32)[None]
    out = run(tone, threshold=-20.0, ratio=4.0, attack=10.0, release=1000.0)
    assert to_db(float(np.abs(out[0, -480:]).max())) == pytest.approx(-15, abs=0.05)


def test_a_settled_sine_is_reduced_by_the_curve_at_its_rms() -> None:
    n_frames = RATE_HZ
    tone = np.sin(2 * np.pi * 1000 / RATE_HZ * np.arange(n_frames)).astype(np.float32)[None]
    out = run(tone, threshold=-23.0103, ratio=4.0, detector="rms", release=1000.0)
    assert to_db(float(np.abs(out[0, -480:]).max())) == pytest.approx(-15, abs=0.05)


def test_linked_sides_are_turned_down_alike() -> None:
    samples = np.stack([level(0), level(-30)])
    out = run(samples, threshold=-20.0, ratio=4.0, attack=1.0)
    assert to_db(out[0, -1] / samples[0, -1]) == pytest.approx(-15, abs=1e-4)
    assert to_db(out[1, -1] / samples[1, -1]) == pytest.approx(-15, abs=1e-4)


def test_half_linked_sides_meet_half_way_in_db() -> None:
    samples = np.stack([level(0), level(-30)])
    out = run(samples, threshold=-20.0, ratio=4.0, attack=1.0, link=50.0)
    assert to_db(out[0, -1] / samples[0, -1]) == pytest.approx(-15, abs=1e-4)
    assert to_db(out[1, -1] / samples[1, -1]) == pytest.approx(-7.5, abs=1e-4)


def test_unlinked_sides_go_their_own_way() -> None:
    samples = np.stack([level(0), level(-30)])
    out = run(samples, threshold=-20.0, ratio=4.0, attack=1.0, link=0.0)
    alone = run(samples[:1], threshold=-20.0, ratio=4.0, attack=1.0)
    assert np.array_equal(out[0], alone[0])
    assert np.array_equal(out[1], samples[1])


def test_mix_adds_the_input() -> None:
    samples = noise(0)
    wet = run(samples, threshold=-30.0, ratio=4.0).astype(float)
    half = run(samples, threshold=-30.0, ratio=4.0, mix=50.0)
    assert half == pytest.approx((samples + wet) / 2, abs=2e-7)


def test_no_attack_time_catches_the_first_frame() -> None:
    out = run(level(0)[None], threshold=-20.0, ratio=100.0, knee=0.0, attack=0.0)
    assert to_db(out[0, 0]) == pytest.approx(-19.8, abs=1e-4)


@pytest.mark.parametrize(("ratio", "expected_dbfs"), [(1000.0, -19.98), (math.inf, -20.0)])
def test_the_highest_ratios_hold_a_tone_at_the_threshold(ratio, expected_dbfs) -> None:
    out = run(level(0)[None], threshold=-20.0, ratio=ratio, attack=1.0)
    assert to_db(out[0, -1]) == pytest.approx(expected_dbfs, abs=1e-4)


def test_the_detector_low_cut_is_a_second_order_butterworth_filter() -> None:
    """-3.01 dB at its frequency, so 3/4 of 3.01 dB less reduction at 4:1; nothing far below."""
    time_s = np.arange(RATE_HZ) / RATE_HZ
    given = {"threshold": -20.0, "ratio": 4.0, "release": 1000.0, "detector_low_cut": 200.0}
    tone = np.sin(2 * np.pi * 200 * time_s).astype(np.float32)[None]
    out = run(tone, **given)
    expected_db = 0.75 * (-20 + 3.0103)
    assert to_db(float(np.abs(out[0, -480:]).max())) == pytest.approx(expected_db, abs=0.05)
    bass = (np.sin(2 * np.pi * 40 * time_s) * np.hanning(RATE_HZ)).astype(np.float32)[None]
    assert np.array_equal(run(bass, **given), bass)


def test_averaging_without_the_rms_detector_is_refused() -> None:
    settings = complete_settings(COMPRESS, {"threshold": -20.0, "averaging": 50.0})
    with pytest.raises(ChainFileError, match='"averaging" is 50 ms, but only the rms detector'):
        COMPRESS.check_at_rate(RATE_HZ, settings)
