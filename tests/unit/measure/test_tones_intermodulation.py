"""The intermodulation signal, its limits, and what is undefined."""

import numpy as np
import pytest

from chainweigh.errors import SignalError
from chainweigh.measure.intermodulation import imd_plan, imd_signal, measure_imd


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_the_signal_reaches_the_peak_and_never_exceeds_it(rate):
    peak = np.abs(imd_signal(imd_plan(rate, -6.0))).max()
    assert 0.999 * 10 ** (-6 / 20) < peak <= 10 ** (-6 / 20) * (1 + 1e-6)


@pytest.mark.parametrize("rate", [44_100, 48_000, 88_200, 192_000])
def test_the_tones_lie_next_to_their_nominal_frequencies(rate):
    for pair in imd_plan(rate, 0.0).pairs:
        for k, nominal_hz in ((pair.low_bin, pair.low_hz), (pair.high_bin, pair.high_hz)):
            assert k % 2 == 1
            assert abs(k * rate / 65_536 - nominal_hz) <= 3 * rate / 65_536
        assert pair.high_bin % pair.low_bin != 0


def test_a_bypass_reads_only_the_rounding_of_float32():
    plan = imd_plan(44_100, 0.0)
    results = measure_imd(imd_signal(plan), plan)
    assert results.modulation_pct < 1e-5
    assert results.difference_d2_pct < 1e-5
    assert results.undefined == {}


def test_a_hard_clip_reads_third_order_and_no_second():
    plan = imd_plan(48_000, 0.0)
    results = measure_imd(np.clip(imd_signal(plan), -0.7, 0.7), plan)
    assert results.modulation_d3_pct > 5
    assert results.difference_d3_pct > 5
    assert results.modulation_d2_pct < 1e-3
    assert results.difference_d2_pct < 1e-3


def test_two_equal_sides_read_like_one():
    plan = imd_plan(48_000, 0.0)
    clipped = np.clip(imd_signal(plan), -0.7, 0.6)
    mono, both = (measure_imd(x, plan) for x in (clipped, np.concatenate([clipped, clipped])))
    assert both.modulation_pct == pytest.approx(mono.modulation_pct)
    assert both.difference_d2_pct == pytest.approx(mono.difference_d2_pct)


def test_a_rate_too_low_for_a_pair_leaves_it_out_with_a_reason():
    plan = imd_plan(32_000, 0.0)
    results = measure_imd(imd_signal(plan), plan)
    assert results.modulation_pct is not None
    assert results.difference_d2_pct is None
    assert "half of 32000 Hz" in results.undefined["difference_d2_pct"]
    lowest = imd_plan(8_000, 0.0)
    nothing = measure_imd(imd_signal(lowest), lowest)
    assert nothing.modulation_pct is None
    assert len(nothing.undefined) == 5


def test_a_silent_output_is_none_with_a_reason():
    plan = imd_plan(48_000, 0.0)
    results = measure_imd(np.zeros((1, plan.n_frames), np.float32), plan)
    assert results.modulation_pct is None
    assert results.undefined["modulation_pct"] == "7000 Hz came back silent"


def test_bad_input_is_refused():
    with pytest.raises(SignalError, match="was kHz meant"):
        imd_plan(48, 0.0)
    with pytest.raises(SignalError, match="silent programme"):
        imd_plan(48_000, float("-inf"))
    plan = imd_plan(48_000, 0.0)
    with pytest.raises(SignalError, match="the signal that was to be rendered has"):
        measure_imd(imd_signal(plan)[:, :-1].copy(), plan)
