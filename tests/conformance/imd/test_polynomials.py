"""Intermodulation of polynomials, whose products have a closed form.

Conventions: SMPTE RP120 pair read after IEC 60268-3 (clause from memory, consistent with the
amplitude-modulation definition): side-bands add in amplitude pair by pair, pairs in power.
Difference tone re U(f1) + U(f2).
Values: y = x + a2 x^2 + a3 x^3; carrier A2 [1 + a3 (3/4 A2^2 + 3/2 A1^2)], each fH +- fL is
a2 A1 A2, each fH +- 2 fL is 3/4 a3 A1^2 A2; difference tone a2 B^2, third order 3/4 a3 B^3, tones
B (1 + 9/4 a3 B^2). Derived; a transform agrees exactly.
"""

import numpy as np
import pytest

from chainweigh.measure.intermodulation import imd_plan, imd_signal, measure_imd


def imd_of(a2, a3, rate):
    plan = imd_plan(rate, 0.0)
    x = imd_signal(plan).astype(float)
    return measure_imd((x + a2 * x**2 + a3 * x**3).astype(np.float32), plan)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(
    ("a2", "a3", "d2_pct", "d3_pct", "total_pct"),
    [
        (0.01, 0, 1.600000, 0, 1.600000),
        (0, 0.01, 0, 0.950589, 0.950589),
        (0.01, 0.01, 1.584315, 0.950589, 1.847613),
    ],
)
def test_60_hz_and_7_khz_at_4_to_1_read_the_worked_values(rate, a2, a3, d2_pct, d3_pct, total_pct):
    results = imd_of(a2, a3, rate)
    assert results.modulation_d2_pct == pytest.approx(d2_pct, abs=1e-5)
    assert results.modulation_d3_pct == pytest.approx(d3_pct, abs=1e-5)
    assert results.modulation_pct == pytest.approx(total_pct, abs=1e-5)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(
    ("a2", "a3", "d2_pct", "d3_pct"),
    [(0.01, 0, 0.250000, 0), (0, 0.01, 0, 0.186451), (0.01, 0.01, 0.248602, 0.186451)],
)
def test_19_and_20_khz_read_the_worked_values(rate, a2, a3, d2_pct, d3_pct):
    results = imd_of(a2, a3, rate)
    assert results.difference_d2_pct == pytest.approx(d2_pct, abs=1e-5)
    assert results.difference_d3_pct == pytest.approx(d3_pct, abs=1e-5)


def test_second_and_third_order_scale_with_level_as_their_order():
    plan = imd_plan(48_000, -20.0)
    x = imd_signal(plan).astype(float)
    results = measure_imd((x + 0.01 * x**2 + 0.01 * x**3).astype(np.float32), plan)
    assert results.modulation_d2_pct == pytest.approx(1.6 / 10, rel=1e-3)
    assert results.difference_d3_pct == pytest.approx(0.1875 / 100, rel=2e-3)
