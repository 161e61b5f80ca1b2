"""The final limiter's work against closed forms."""

import math

import numpy as np
import pytest

from chainweigh.errors import SignalError
from chainweigh.measure.limiter_work import limiter_work_db_s

RATE_HZ = 48_000


def test_two_seconds_6_db_above_the_ceiling_are_12_db_seconds():
    samples = np.zeros((2, 5 * RATE_HZ), np.float32)
    samples[0, RATE_HZ : 3 * RATE_HZ] = -0.5
    samples[1, : 3 * RATE_HZ] = 0.25 * 10 ** (-0.01 / 20)
    ceiling_dbfs = 20 * math.log10(0.25)
    work = limiter_work_db_s(samples, RATE_HZ, ceiling_dbfs=ceiling_dbfs)
    assert work == pytest.approx(2 * 20 * math.log10(2), rel=1e-6)


def test_a_decay_works_by_the_area_of_its_triangle_in_decibels():
    # A exp(-t/T) falls by 20/ln(10)/T dB a second in a straight line: the area above the ceiling
    # is a triangle H dB high and H T ln(10)/20 s long.
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    samples = (0.8 * np.exp(-time_s / 0.5)).astype(np.float32)[None]
    height_db = 20 * math.log10(0.8) + 9
    closed = height_db * (height_db * 0.5 * math.log(10) / 20) / 2
    work = limiter_work_db_s(samples, RATE_HZ, ceiling_dbfs=-9)
    assert work == pytest.approx(closed, rel=1e-3)


def test_a_sine_works_by_the_integral_of_its_level():
    mpmath = pytest.importorskip("mpmath")
    time_s = np.arange(RATE_HZ) / RATE_HZ
    samples = np.sin(2 * np.pi * 100.3 * time_s).astype(np.float32)[None]
    start = math.asin(0.5)
    quarter = mpmath.quad(lambda x: 20 * mpmath.log10(mpmath.sin(x) / 0.5), [start, math.pi / 2])
    mean_db = float(quarter) / (math.pi / 2)
    work = limiter_work_db_s(samples, RATE_HZ, ceiling_dbfs=20 * math.log10(0.5))
    assert work == pytest.approx(mean_db, rel=5e-3)


def test_what_stays_below_is_no_work_and_what_is_not_finite_is_refused():
    quiet = np.full((2, 100), 0.1, np.float32)
    assert limiter_work_db_s(quiet, RATE_HZ, ceiling_dbfs=-1) == 0.0
    with pytest.raises(SignalError):
        limiter_work_db_s(np.full((1, 9), np.nan, np.float32), RATE_HZ, ceiling_dbfs=-1)
