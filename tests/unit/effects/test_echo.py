import numpy as np
import pytest

from chainweigh.effects import effect
from chainweigh.effects.base import complete_settings

ECHO = effect("echo")


def run(samples: np.ndarray, sample_rate_hz: int, **given: object) -> np.ndarray:
    return ECHO.process(samples, sample_rate_hz, complete_settings(ECHO, given))


@pytest.mark.parametrize(
    ("sample_rate_hz", "time_ms", "n_frames"),
    [
        (44_100, 10.0, 441),
        (44_100, 100.0, 4_410),
        (48_000, 10.0, 480),
        (48_000, 12.5, 600),
        (96_000, 10.0, 960),
        (44_100, 12.34, 544),  # 544.194 frames: the nearest
        (48_000, 12.335, 592),  # 592.08
    ],
)
def test_all_mix_and_no_feedback_is_a_pure_delay(
    sample_rate_hz: int, time_ms: float, n_frames: int
) -> None:
    samples = np.random.default_rng(4).normal(size=(2, 7_777)).astype(np.float32)
    out = run(samples, sample_rate_hz, time=time_ms, feedback=0.0, mix=100.0)
    assert out.shape == (2, 7_777 + n_frames)
    assert np.array_equal(out[:, n_frames:], samples)
    assert not out[:, :n_frames].any()


def test_repeats_of_an_impulse_fall_by_the_feedback() -> None:
    impulse = np.zeros((1, 100), np.float32)
    impulse[0, 0] = 1
    out = run(impulse, 48_000, time=10.0, feedback=50.0, mix=50.0)
    at_frames = np.flatnonzero(out[0])
    assert at_frames.tolist() == [480 * k for k in range(len(at_frames))]
    expected = [0.5, *(0.5**k for k in range(1, len(at_frames)))]
    assert out[0, at_frames].tolist() == expected


@pytest.mark.parametrize("feedback", [0.0, 0.005, 10.0, 60.0, 95.0])
def test_the_tail_ends_with_the_first_repeat_that_feeds_less_than_80_db_on(feedback: float) -> None:
    impulse = np.zeros((1, 10), np.float32)
    impulse[0, 0] = 1
    out = run(impulse, 48_000, time=1.0, feedback=feedback, mix=100.0)
    repeats = out[0, 48::48]
    assert len(repeats) == np.count_nonzero(out) == (out.shape[1] - 10) // 48
    assert repeats[-1] * feedback / 100 <= 1e-4
    assert (repeats[:-1] > 0.9999e-4).all()


def test_input_that_outlasts_many_repeats_is_summed_as_the_recursion_says() -> None:
    samples = np.random.default_rng(5).uniform(-1, 1, (1, 500)).astype(np.float32)
    out = run(samples, 8_000, time=1.0, feedback=70.0, mix=100.0)
    wet = np.zeros(out.shape[1])
    dry = np.pad(samples[0].astype(float), (0, out.shape[1] - 500))
    for n in range(8, len(wet)):
        wet[n] = dry[n - 8] + 0.7 * wet[n - 8]
    assert out[0] == pytest.approx(wet, abs=2e-6)
