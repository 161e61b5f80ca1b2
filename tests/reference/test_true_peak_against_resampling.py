"""True peak against 32x resampling in the frequency domain (scipy) and against libebur128."""

import numpy as np
import pyebur128
import pytest
from scipy.signal import butter, resample, sosfiltfilt

from chainweigh.measure.true_peak import true_peak_dbtp

RATES_HZ = [44_100, 48_000, 96_000, 192_000]
KINDS = ["sines", "song 1", "song 2", "noise 0", "noise 1", "noise 2"]


def faded(samples, n_frames=4000):
    """Silent ends, so that nothing depends on what lies outside."""
    rise = np.minimum(1.0, np.arange(samples.shape[1]) / n_frames)
    return (samples * rise * rise[::-1]).astype(np.float32)


def noise(rate_hz, seed):
    """Noise and clicks limited to 20 kHz with silent ends, as music would be."""
    rng = np.random.default_rng(seed)
    rough = rng.standard_normal((2, rate_hz)) * rng.uniform(0.02, 1.0, rate_hz)
    rough[:, rng.integers(3000, rate_hz - 3000, 20)] += 8.0
    corner = 19000 / (rate_hz / 2)
    limited = sosfiltfilt(butter(12, corner, output="sos"), rough, axis=1)
    limited[:, :2000] = limited[:, -2000:] = 0
    return faded(0.1 * limited)


def sines(rate_hz):
    time_s = np.arange(rate_hz) / rate_hz
    left = 0.5 * np.sin(2 * np.pi * 997 * time_s) + 0.3 * np.sin(2 * np.pi * 7013 * time_s)
    return faded(np.stack([left, 0.8 * np.sin(2 * np.pi * 11_026 * time_s + 0.7)]))


def second_of_the_peak(mix):
    n_frames = mix.shape[1] // 10
    peak = int(np.abs(mix).max(axis=0).argmax())
    start = min(max(peak - n_frames // 2, 0), mix.shape[1] - n_frames)
    return faded(mix[:, start : start + n_frames])


@pytest.fixture(params=RATES_HZ)
def rate_hz(request):
    return request.param


@pytest.fixture(params=KINDS)
def samples(request, rate_hz, demo_mix):
    kind, *number = request.param.split()
    if kind == "song":
        return second_of_the_peak(demo_mix(int(number[0]), rate_hz))
    return noise(rate_hz, int(number[0])) if number else sines(rate_hz)


def test_precise_mode_reads_within_0_1_db_of_ideal_32x(samples, rate_hz):
    fine = resample(samples.astype(np.float64), 32 * samples.shape[1], axis=1)
    ideal_dbtp = 20 * np.log10(np.abs(fine).max())
    assert true_peak_dbtp(samples, rate_hz) == pytest.approx(ideal_dbtp, abs=0.05)


def test_annex_2_agrees_with_libebur128_within_0_35_db(samples, rate_hz):
    """Two interpolators of the standard: each may err by 0.3 dB to 20 kHz (EBU Tech 3343)."""
    state = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(samples.T).ravel(), samples.shape[1])
    theirs_dbtp = 20 * np.log10(max(pyebur128.get_true_peak(state, c) for c in (0, 1)))
    ours_dbtp = true_peak_dbtp(samples, rate_hz, mode="annex2")
    assert ours_dbtp == pytest.approx(theirs_dbtp, abs=0.35)
