"""What is not finite is found at its place, by the kernel and by its twin."""

import numpy as np
import pytest

from chainweigh.kernels.finite import first_not_finite, first_not_finite_twin

LARGEST, LEAST = np.finfo(np.float32).max, np.float32(1e-45)


@pytest.mark.parametrize("find", [first_not_finite, first_not_finite_twin])
class TestBoth:
    @pytest.mark.parametrize("value", [np.nan, -np.nan, np.inf, -np.inf])
    @pytest.mark.parametrize("frame", [0, 4095, 4096, 65_536, 70_000])
    def test_the_first_that_is_not_finite_is_found(self, find, value, frame):
        channel = np.full(70_001, LARGEST, np.float32)
        channel[frame:] = value
        assert find(channel) == frame

    def test_all_that_is_finite_is_passed(self, find):
        assert find(np.tile(np.array([LARGEST, -LARGEST, LEAST, 0], np.float32), 9_999)) is None
        assert find(np.empty(0, np.float32)) is None

    def test_samples_need_not_be_next_to_each_other(self, find):
        interleaved = np.zeros((100, 2), np.float32)
        interleaved[7, 0], interleaved[9, 1] = np.nan, np.inf
        assert [find(channel) for channel in interleaved.T] == [7, 9]
