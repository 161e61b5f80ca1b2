"""Samples moved in time, by arithmetic on a ramp."""

import numpy as np
import pytest

from chainweigh.audio.array import shifted


@pytest.mark.parametrize("shift", [-50, -3, 0, 5, 50])
def test_moving_keeps_the_length_and_fills_with_silence(shift):
    ramp = np.arange(1, 11, dtype=np.float32)[None]
    expected = [n + 1 + shift if 0 <= n + shift < 10 else 0 for n in range(12)]
    assert shifted(ramp, shift, 12)[0].tolist() == expected
