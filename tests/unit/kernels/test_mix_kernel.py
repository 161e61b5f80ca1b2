"""Sums of signals: the kernel equals its twin to the bit."""

import math

import numpy as np
import pytest

from chainweigh.kernels import native_library as native
from chainweigh.kernels.mix import sum_parts, sum_parts_twin


def signals(n_parts, n_frames):
    rng = np.random.default_rng(n_frames)
    return list(rng.standard_normal((n_parts, 2, n_frames)).astype(np.float32))


@pytest.mark.skipif(not native.compiled, reason="the package was installed without a compiler")
@pytest.mark.parametrize("n_frames", [0, 1, 511, 512, 70_000])
@pytest.mark.parametrize("n_parts", [1, 2, 7])
def test_the_kernel_equals_its_twin(n_parts, n_frames):
    parts = signals(n_parts, n_frames)
    np.testing.assert_array_equal(sum_parts(parts), sum_parts_twin(parts))


def test_every_sum_is_rounded_once():
    """Against math.fsum, whose sums are exact: double precision errs by far less than a float."""
    parts = signals(5, 300)
    exact = [[math.fsum(p[c, i] for p in parts) for i in range(300)] for c in range(2)]
    np.testing.assert_array_equal(sum_parts(parts), np.array(exact).astype(np.float32))
