"""Precise mode against 32x resampling in the frequency domain (scipy) and libebur128."""

import numpy as np
import pyebur128
import pytest
from scipy.signal import butter, resample, sosfiltfilt

from chainweigh.measure.true_peak import true_peak_dbtp


def _programme(rate_hz, seed):
    """Noise and clicks limited to 20 kHz with silent ends, as music would be."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((2, rate_hz)) * rng.uniform(0.02, 1.0, rate_hz)
    noise[:, rng.integers(3000, rate_hz - 3000, 20)] += 8.0
    corner = 19000 / (rate_hz / 2)
    limited = sosfiltfilt(butter(12, corner, output="sos"), noise, axis=1)
    limited[:, :2000] = limited[:, -2000:] = 0
    fade = np.minimum(1.0, np.arange(rate_hz) / 4000)
    return (0.1 * limited * fade * fade[::-1]).astype(np.float32)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("seed", range(4))
def test_programme_limited_to_20_khz_reads_within_0_1_db_of_ideal_32x(rate_hz, seed):
    samples = _programme(rate_hz, seed)
    fine = resample(samples.astype(np.float64), 32 * rate_hz, axis=1)
    ideal_dbtp = 20 * np.log10(np.abs(fine).max())
    assert true_peak_dbtp(samples, rate_hz) == pytest.approx(ideal_dbtp, abs=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_both_modes_agree_with_libebur128_within_the_tolerance_of_tech_3343(seed):
    """+-0.3 dB up to 20 kHz: EBU Tech 3343 section 11.2.3 (twice, as both sides may err)."""
    samples = _programme(48000, seed)
    state = pyebur128.R128State(2, 48000, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(samples.T).ravel(), samples.shape[1])
    theirs_dbtp = 20 * np.log10(max(pyebur128.get_true_peak(state, c) for c in (0, 1)))
    assert true_peak_dbtp(samples, 48000) == pytest.approx(theirs_dbtp, abs=0.6)
    assert true_peak_dbtp(samples, 48000, mode="annex2") == pytest.approx(theirs_dbtp, abs=0.6)
