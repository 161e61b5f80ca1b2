"""A programme's fit and fitted reference where both channels are the same."""

import numpy as np
import pytest
from scipy.signal import lfilter

from chainweigh.measure.fit import fit_linear
from chainweigh.measure.onsets import find_onsets
from chainweigh.measure.residual import fit_reference
from chainweigh.ranking.distortion import Programme
from chainweigh.ranking.windows import Windows

RATE = 44_100
WINDOWS = Windows(((0.0, 2.0),), RATE)


def stereo(left, right):
    return np.stack([left, right]).astype(np.float32)


@pytest.fixture(scope="module")
def mono():
    noise = np.random.default_rng(7).standard_normal(2 * RATE) * 0.1
    return stereo(noise, noise)


def clipped(samples, at):
    brighter = lfilter([1, -0.4], 1, samples)
    return np.clip(brighter, -at, at)


@pytest.mark.parametrize("right_at", [0.25, 0.2])  # the second makes two channels of one
def test_a_mono_programme_is_fitted_and_followed_as_its_two_channels_are(mono, right_at):
    candidate = stereo(clipped(mono[0], 0.25), clipped(mono[1], right_at))
    programme = Programme(mono, find_onsets(mono, RATE), WINDOWS)
    fit = programme.fit(candidate)
    expected = fit_linear(mono, candidate, sample_rate_hz=RATE)
    np.testing.assert_allclose(fit.taps, expected.taps, rtol=0, atol=1e-9)
    followed = programme.follow(fit, candidate)
    both = fit_reference(mono, candidate, sample_rate_hz=RATE, fit=fit)
    np.testing.assert_array_equal(followed.samples, both.samples)
    apart = candidate * np.float32([[1], [1 + 1e-7]])  # the last bit: channels told apart
    told = fit_reference(mono, apart, sample_rate_hz=RATE, fit=fit)
    np.testing.assert_allclose(followed.samples, told.samples, atol=1e-6)
    assert followed.gain_movement_db == pytest.approx(told.gain_movement_db, abs=1e-4)
