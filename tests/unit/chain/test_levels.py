"""Level expressions resolved on signals whose levels are closed forms."""

import numpy as np
import pytest

from chainweigh.chain.levels import resolve_level
from chainweigh.chain.values import parse_level
from chainweigh.errors import RenderError

RATE_HZ = 48_000


def sine(amplitude=0.5, hz=997.0, seconds=4.0):
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return np.tile(amplitude * np.sin(2 * np.pi * hz * time_s), (2, 1)).astype(np.float32)


def bursts(amplitude=0.5, every_s=0.5, seconds=12.0):
    out = np.zeros((2, int(seconds * RATE_HZ)), dtype=np.float32)
    burst = sine(amplitude, 1000.0, 0.1) * np.hanning(int(0.1 * RATE_HZ)) ** 0.25
    for start in range(RATE_HZ // 4, out.shape[1] - RATE_HZ, int(every_s * RATE_HZ)):
        out[:, start : start + burst.shape[1]] += burst.astype(np.float32)
    return out


@pytest.mark.parametrize(
    ("text", "expected_db"),
    [
        ("peak", -6.02),
        ("peak - 3 dB", -9.02),
        ("rms", -9.03),  # a sine's RMS is 3.01 dB below its peak
        ("rms + 4 dB", -5.03),
        ("loudness", -6.02),  # BS.1770-5: 997 Hz at 0 dBFS on both sides reads 0.0 LKFS
    ],
)
def test_levels_of_a_sine_are_its_closed_forms_to_a_hundredth_db(text, expected_db):
    resolved = resolve_level(parse_level(text), sine(), RATE_HZ)
    assert resolved.level_db == pytest.approx(expected_db, abs=0.011)
    assert resolved.note is None


def test_hits_is_the_peak_of_equal_hits_and_not_moved_by_one_tall_sample():
    programme = bursts()
    plain = resolve_level(parse_level("hits"), programme, RATE_HZ).level_db
    assert plain == pytest.approx(-6.02, abs=0.1)
    programme[:, 24] = 0.99
    hits = resolve_level(parse_level("hits"), programme, RATE_HZ)
    peak = resolve_level(parse_level("peak"), programme, RATE_HZ)
    assert hits.level_db == pytest.approx(plain, abs=0.05) and hits.note is None
    assert peak.level_db == pytest.approx(-0.09, abs=0.01)


def test_hits_of_a_held_tone_is_its_peak_with_a_note():
    held = resolve_level(parse_level("hits - 2 dB"), sine(), RATE_HZ)
    assert held.level_db == pytest.approx(-8.02, abs=0.011)
    assert "under 4 onsets" in held.note


@pytest.mark.parametrize("name", ["peak", "hits", "rms", "loudness"])
def test_a_level_of_silence_is_an_error_with_its_reason(name):
    with pytest.raises(RenderError, match=f'level "{name}" is not defined here: .+'):
        resolve_level(parse_level(name), np.zeros((2, RATE_HZ), dtype=np.float32), RATE_HZ)
