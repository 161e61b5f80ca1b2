import subprocess
import sys

import numpy as np
import pytest

from chainweigh.effects import effect
from chainweigh.effects.base import complete_settings

REVERB = effect("reverb")


def response(sample_rate_hz: int = 48_000, **given: object) -> np.ndarray:
    impulse = np.zeros((2, 100), np.float32)
    impulse[:, 0] = 1
    settings = complete_settings(REVERB, {"mix": 100.0, **given})
    return REVERB.process(impulse, sample_rate_hz, settings)


def energy_left_db(out: np.ndarray) -> np.ndarray:
    """Schroeder's backward integral, dB re all of it."""
    energy = np.cumsum((out.astype(float) ** 2).sum(axis=0)[::-1])[::-1]
    return 10 * np.log10(energy / energy[0])


@pytest.mark.parametrize("sample_rate_hz", [44_100, 96_000])
@pytest.mark.parametrize("room_size", [0.0, 50.0, 80.0])
@pytest.mark.parametrize("damping", [0.0, 50.0])
def test_the_tail_is_returned_until_it_has_fallen_by_80_db(
    sample_rate_hz: int, room_size: float, damping: float
) -> None:
    out = response(sample_rate_hz, room_size=room_size, damping=damping)
    last_tenth = energy_left_db(out)[-out.shape[1] // 10]
    assert last_tenth < -70
    assert np.abs(out[:, -200:]).max() < 1e-4 * np.abs(out).max()


def test_a_larger_room_decays_longer() -> None:
    def decay_frames(room_size: float) -> int:
        return int(np.argmax(energy_left_db(response(room_size=room_size)) < -60))

    assert decay_frames(20.0) < decay_frames(50.0) < decay_frames(80.0)


def test_no_width_makes_both_sides_equal() -> None:
    narrow, wide = response(width=0.0), response(width=100.0)
    assert narrow[0] == pytest.approx(narrow[1], abs=1e-6)
    assert np.abs(wide[0] - wide[1]).max() > 0.01


def test_mix_is_a_sum_of_input_and_reverb() -> None:
    wet, half = response(), response(mix=50.0)
    expected = wet.astype(float) / 2
    expected[:, 0] += 0.5
    assert half == pytest.approx(expected, abs=1e-7)


def test_the_dry_part_starts_at_its_own_frame_and_the_room_later() -> None:
    out = response(mix=50.0)
    assert out[:, 0].tolist() == [0.5, 0.5]
    assert not out[:, 1:1000].any()


def test_pedalboard_is_imported_only_when_a_reverb_runs() -> None:
    code = (
        "import sys; from chainweigh.effects import effect; effect('reverb'); "
        "sys.exit('pedalboard' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
