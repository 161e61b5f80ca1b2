"""Whose peaks they are, on mixes put together from known pulses."""

import numpy as np
import pytest

from chainweigh.measure.true_peak import true_peak_dbtp
from chainweigh.ranking.peaks import attribute_peaks
from chainweigh.song import sum_of

RATE_HZ = 44_100


def pulses(*heights_at, seconds=22):
    """Band-limited pulses (a 5 ms Hann bump of 1 kHz) of given heights, at given seconds."""
    out = np.zeros(seconds * RATE_HZ)
    t = np.arange(-110, 111) / RATE_HZ
    pulse = np.cos(2 * np.pi * 1000 * t) * np.hanning(t.size)
    for height, at_s in heights_at:
        frame = round(at_s * RATE_HZ)
        out[frame - 110 : frame + 111] += height * pulse
    return np.stack([out, 0.5 * out]).astype(np.float32)


def share(shares, group):
    return next(s for s in shares if s.group == group)


def test_shares_and_falls_are_those_the_mix_was_made_with():
    parts = {
        "tall": pulses((0.6, 1.0), (0.5, 12.0)),
        "low": pulses((0.2, 1.0), (-0.1, 12.0)),
    }
    found = attribute_peaks(parts, RATE_HZ)
    first, second = found.moments
    assert (first.at_s, first.channel) == (pytest.approx(1.0, abs=1e-4), 1)
    assert second.at_s == pytest.approx(12.0, abs=1e-4)
    assert first.true_peak_dbtp == pytest.approx(20 * np.log10(0.8), abs=0.02)
    assert share(first.shares, "tall").share_pct == pytest.approx(75, abs=0.1)
    assert share(first.shares, "tall").fall_db == pytest.approx(20 * np.log10(4), abs=0.02)
    assert share(first.shares, "low").fall_db == pytest.approx(20 * np.log10(8 / 6), abs=0.02)
    assert share(second.shares, "low").share_pct == pytest.approx(-25, abs=0.1)
    assert share(second.shares, "low").fall_db == pytest.approx(20 * np.log10(4 / 5), abs=0.02)


def test_every_section_is_told_apart_and_sums_to_the_whole():
    parts = {
        "first": pulses((0.7, 3.0), (0.6, 6.0)),
        "later": pulses((0.4, 14.0), (0.3, 17.0)),
    }
    found = attribute_peaks(parts, RATE_HZ)
    sections = {s.from_s: s for s in found.sections}
    assert share(sections[0.0].shares, "first").share_pct == pytest.approx(100)
    assert share(sections[10.0].shares, "later").share_pct == pytest.approx(100)
    assert share(sections[0.0].shares, "first").fall_db is None
    for moment in found.moments:
        assert sum(s.share_pct for s in moment.shares) == pytest.approx(100, abs=1e-3)


def test_the_highest_peak_is_the_one_the_meter_reads_between_samples():
    rng = np.random.default_rng(5)
    parts = {
        name: (0.2 * rng.standard_normal((2, 3 * RATE_HZ))).astype(np.float32) for name in "abc"
    }
    found = attribute_peaks(parts, RATE_HZ)
    metered = true_peak_dbtp(sum_of(list(parts.values())), RATE_HZ)
    assert found.moments[0].true_peak_dbtp == pytest.approx(metered, abs=1e-3)


def test_silence_has_no_peaks():
    silence = np.zeros((2, RATE_HZ), np.float32)
    found = attribute_peaks({"a": silence, "b": silence}, RATE_HZ)
    assert (found.moments, found.sections, found.shares) == ((), (), ())
