"""Saturate: soft sounds, ends, limits, and its kernel against its twin."""

import numpy as np
import pytest

from chainweigh.effects.saturate import EFFECT
from chainweigh.kernels import native_library
from chainweigh.kernels.saturate import CURVES, saturate, saturate_twin


def noise(n_frames=6000, peak=1.0, seed=1):
    drawn = np.random.default_rng(seed).uniform(-peak, peak, (2, n_frames))
    return drawn.astype(np.float32)


@pytest.mark.parametrize("curve", CURVES)
def test_soft_sounds_pass_to_within_their_own_rounding(run, curve):
    """60 dB below the ceiling the curves differ from a straight line by less than 1e-6 of it."""
    samples = noise(peak=1e-3)
    out = run(EFFECT, samples, ceiling=0.0, curve=curve)
    np.testing.assert_allclose(out, samples, atol=2e-9)


@pytest.mark.parametrize("curve", CURVES)
def test_without_oversampling_no_sample_passes_the_ceiling(run, curve):
    out = run(EFFECT, noise(peak=30.0), ceiling=-6.0, curve=curve, oversample=1)
    assert np.abs(out).max() <= 10 ** (-6 / 20) * (1 + 4e-6)


@pytest.mark.parametrize("oversample", [1, 2, 8, 32])
def test_a_file_that_ends_loud_is_bent_as_if_silence_followed(run, oversample):
    samples = np.full((1, 3000), 0.9, np.float32)
    followed = np.pad(samples, ((0, 0), (500, 500)))
    out = run(EFFECT, samples, ceiling=-6.0, oversample=oversample)
    same = run(EFFECT, followed, ceiling=-6.0, oversample=oversample)
    np.testing.assert_array_equal(out, same[:, 500:-500])


@pytest.mark.skipif(not native_library.compiled, reason="no compiled kernels")
@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("bias", [0.0, 0.3, -0.8])
@pytest.mark.parametrize("n_stages", [0, 3])
def test_the_kernel_equals_its_twin_to_float32_rounding(curve, bias, n_stages):
    for peak in (1e-4, 1.0, 100.0):
        given = {"ceiling": 0.5, "curve": curve, "bias": bias, "mix": 0.7, "n_stages": n_stages}
        samples = noise(peak=peak)
        out, expected = saturate(samples, **given), saturate_twin(samples, **given)
        np.testing.assert_allclose(out, expected, rtol=0, atol=6e-7 * peak)
