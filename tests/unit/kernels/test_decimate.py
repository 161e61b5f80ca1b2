"""Decimation against the filter over the whole signal."""

import numpy as np
import pytest

from chainweigh.kernels.decimate import decimate_by, decimate_by_twin


@pytest.mark.parametrize("kernel", [decimate_by, decimate_by_twin])
@pytest.mark.parametrize(("step", "n_taps"), [(4, 48), (32, 384), (3, 37), (8, 6)])
@pytest.mark.parametrize("n_frames", [1, 31, 5_003])
def test_every_step_th_frame_is_that_of_the_whole_filtered_signal(kernel, step, n_taps, n_frames):
    rng = np.random.default_rng(4)
    channel = rng.standard_normal(n_frames).astype(np.float32)
    taps = rng.standard_normal(n_taps).astype(np.float32)
    lead = n_taps // 2
    whole = np.correlate(np.pad(channel.astype(float), (lead, n_taps)), taps.astype(float), "valid")
    assert kernel(channel, step, taps) == pytest.approx(whole[:n_frames:step], abs=2e-5)
