"""DC block: its corner, its phase, and what it does to an offset."""

import numpy as np
import pytest

from chainweigh.effects.dc_block import EFFECT


@pytest.mark.parametrize("rate_hz", [44_100, 192_000])
@pytest.mark.parametrize(("times", "expected_db"), [(0.5, -6.99), (1, -3.01), (20, -0.0108)])
def test_the_corner_is_first_order(run, rate_hz, times, expected_db):
    """|H|^2 = r^2 / (1 + r^2) at r times the corner, closed form."""
    impulse = np.zeros((1, 2 * rate_hz), np.float32)
    impulse[0, 0] = 1
    out = run(EFFECT, impulse, rate_hz, frequency=10.0)[0].astype(np.float64)
    wave = np.exp(-2j * np.pi * 10 * times * np.arange(len(out)) / rate_hz)
    assert 20 * np.log10(abs(out @ wave)) == pytest.approx(expected_db, abs=0.005)


def test_an_offset_decays_with_the_corners_time_constant(run):
    """exp(-2 pi f t): after one second at 1 Hz, 0.187 % of the offset is left."""
    rate_hz = 48_000
    out = run(EFFECT, np.full((1, rate_hz + 1), 0.5, np.float32), rate_hz, frequency=1.0)[0]
    assert out[-1] == pytest.approx(0.5 * np.exp(-2 * np.pi), rel=1e-3)
