"""The check at every door: what is not finite is found wherever it stands."""

import numpy as np
import pytest

from chainweigh.audio import check_samples
from chainweigh.errors import SignalError


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("frame", [0, 65_535, 65_536, 199_999])
@pytest.mark.parametrize("channel", [0, 1])
def test_a_sample_that_is_not_finite_is_named_by_its_place(value, frame, channel):
    samples = np.zeros((2, 200_000), np.float32)
    samples[channel, frame] = value
    with pytest.raises(SignalError, match=f"sample {frame} of channel {channel} is NaN or Inf"):
        check_samples(samples)


def test_the_first_of_several_is_named():
    samples = np.zeros((1, 1000), np.float32)
    samples[0, [100, 7, 900]] = np.nan, np.inf, -np.inf
    with pytest.raises(SignalError, match="sample 7 of channel 0"):
        check_samples(samples)


def test_the_largest_finite_values_and_no_frames_at_all_are_allowed():
    largest = np.finfo(np.float32).max
    check_samples(np.array([[largest, -largest]], np.float32))
    check_samples(np.zeros((2, 0), np.float32))
