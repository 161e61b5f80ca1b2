"""The clip: null, ceiling, edges, channels, and its kernel against its twin."""

import numpy as np
import pytest

from chainweigh.audio.array import from_db
from chainweigh.effects.clip import EFFECT
from chainweigh.kernels import native_library
from chainweigh.kernels.clip import clip, clip_twin
from chainweigh.measure.true_peak import true_peak

OVERSAMPLING = (1, 2, 4, 8, 16, 32)
RATES_HZ = (44100, 48000, 88200, 96000, 176400, 192000)


def _noise(n_channels, n_frames, seed=1):
    rng = np.random.default_rng(seed)
    return (0.3 * rng.standard_normal((n_channels, n_frames))).astype(np.float32)


@pytest.mark.parametrize("oversample", OVERSAMPLING)
@pytest.mark.parametrize("link", [False, True])
def test_what_stays_below_the_ceiling_is_bit_identical(run, oversample, link):
    samples = _noise(2, 20000)
    ceiling_dbfs = 20 * np.log10(true_peak(samples, 44100)) + 0.1
    out = run(EFFECT, samples, ceiling=ceiling_dbfs, oversample=oversample, link=link)
    assert out.tobytes() == samples.tobytes()
    assert out is not samples


def test_only_the_surroundings_of_a_clipped_peak_change(run):
    samples = 0.01 * _noise(1, 9000)
    samples[0, 4000] = 1.0
    out = run(EFFECT, samples, ceiling=-6.0)
    changed = np.flatnonzero(out[0] != samples[0])
    assert 4000 in changed
    assert abs(changed - 4000).max() <= 43


def test_without_oversampling_no_sample_passes_the_ceiling(run):
    out = run(EFFECT, _noise(2, 20000), ceiling=-6.0, oversample=1)
    assert np.abs(out).max() == np.float32(from_db(-6.0))


@pytest.mark.parametrize("frequency_hz", [60.0, 1000.0, 5000.0])
@pytest.mark.parametrize("oversample", [4, 8, 16])
def test_the_overshoot_of_band_limiting_stays_in_its_stated_range(run, frequency_hz, oversample):
    """Gibbs' 1.43 dB for a band-limited square is the scale of it; stated: at most 1.8 dB."""
    tone = 2 * np.sin(2 * np.pi * frequency_hz * np.arange(44100) / 44100)
    out = run(EFFECT, tone.astype(np.float32)[None], ceiling=0.0, oversample=oversample)
    overshoot_db = 20 * np.log10(true_peak(out, 44100))
    assert 0.0 <= overshoot_db <= 1.8


def _ideal_clip(signal, ceiling, factor=16):
    """Clipped at 16 times the rate between ideal band-limiting filters; the result at that rate."""
    n = len(signal)
    fine = np.clip(np.fft.irfft(factor * np.fft.rfft(signal), factor * n), -ceiling, ceiling)
    spectrum = np.fft.rfft(fine)
    spectrum[n // 2 :] = 0
    return np.fft.irfft(spectrum, factor * n)


@pytest.mark.parametrize(("depth_db", "stated_db"), [(3, 1.8), (6, 2.9), (12, 4.5)])
def test_the_overshoot_on_noise_is_as_stated_and_that_of_ideal_filters(run, depth_db, stated_db):
    white = np.random.default_rng(1).standard_normal((1, 441000)).astype(np.float32)
    ceiling_dbfs = 20 * np.log10(true_peak(white, 44100)) - depth_db
    out = run(EFFECT, white, ceiling=ceiling_dbfs)
    overshoot_db = 20 * np.log10(true_peak(out, 44100)) - ceiling_dbfs
    ideal = np.abs(_ideal_clip(white[0].astype(np.float64), from_db(ceiling_dbfs))).max()
    assert overshoot_db == pytest.approx(stated_db, abs=0.1)
    assert overshoot_db == pytest.approx(20 * np.log10(ideal) - ceiling_dbfs, abs=0.3)


@pytest.mark.parametrize("oversample", [1, 8])
@pytest.mark.parametrize("link", [False, True])
def test_with_true_peak_the_ceiling_holds_between_the_samples_within_0_01_db(run, oversample, link):
    tone = 2 * np.sin(2 * np.pi * 5003.0 * np.arange(22050) / 44100)
    for samples in (2 * _noise(2, 22050), np.array([tone, 0.3 * tone], np.float32)):
        out = run(EFFECT, samples, ceiling=-6.0, oversample=oversample, link=link, true_peak=True)
        assert true_peak(out, 44100) <= from_db(-6.0 + 0.01)
        assert true_peak(out, 44100) >= from_db(-6.0 - 0.01)


@pytest.mark.parametrize("link", [False, True])
@pytest.mark.parametrize("knee", [0.0, 6.0])
def test_dual_mono_equals_mono_bit_for_bit(run, link, knee):
    samples = _noise(1, 20000)
    mono = run(EFFECT, samples, ceiling=-12.0, link=link, knee=knee)
    dual = run(EFFECT, np.tile(samples, (2, 1)), ceiling=-12.0, link=link, knee=knee)
    assert EFFECT.sides_alike
    assert dual[0].tobytes() == dual[1].tobytes() == mono[0].tobytes()


def test_linked_sides_keep_their_ratio_and_free_sides_do_not(run):
    loud = np.sin(2 * np.pi * 200 * np.arange(44100) / 44100)
    samples = np.array([loud, 0.25 * loud], dtype=np.float32)
    linked = run(EFFECT, samples, ceiling=-6.0, link=True)
    free = run(EFFECT, samples, ceiling=-6.0, link=False)
    np.testing.assert_allclose(linked[1], 0.25 * linked[0], atol=1e-6)
    assert free[1].tobytes() == samples[1].tobytes()
    np.testing.assert_array_equal(free[0], linked[0])


@pytest.mark.parametrize("oversample", OVERSAMPLING)
def test_a_file_that_ends_loud_is_clipped_as_if_silence_followed(run, oversample):
    samples = np.full((1, 3000), 0.9, np.float32)
    followed = np.pad(samples, ((0, 0), (500, 500)))
    out = run(EFFECT, samples, ceiling=-6.0, oversample=oversample)
    same = run(EFFECT, followed, ceiling=-6.0, oversample=oversample)
    np.testing.assert_array_equal(out, same[:, 500:-500])


@pytest.mark.parametrize("oversample", OVERSAMPLING)
@pytest.mark.parametrize("n_frames", [0, 1, 31, 2048, 2049, 5000])
def test_silence_stays_silence_of_the_same_length(run, n_frames, oversample):
    silence = np.zeros((2, n_frames), np.float32)
    out = run(EFFECT, silence, ceiling=-20.0, oversample=oversample)
    assert out.tobytes() == silence.tobytes()
    assert EFFECT.tail_frames(44100, {}) == 0


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("gain", [100.0, 1e-41])
def test_huge_and_denormal_signals_stay_finite(run, rate_hz, gain):
    samples = (gain * _noise(2, 3000)).astype(np.float32)
    for link in (False, True):
        out = run(EFFECT, samples, rate_hz, ceiling=-6.0, knee=3.0, link=link)
        assert np.isfinite(out).all()


def test_the_input_is_left_untouched_and_the_result_repeats(run):
    samples = _noise(2, 10000)
    before = samples.tobytes()
    first = run(EFFECT, samples, ceiling=-12.0)
    assert samples.tobytes() == before
    assert first.tobytes() == run(EFFECT, samples, ceiling=-12.0).tobytes()


def test_the_knee_bends_as_its_parabola_says(run):
    """y = u - (u - t)^2 / (4 (c - t)) from t = c 10^(-knee/20) to 2c - t, closed form."""
    levels = np.linspace(0, 2, 400, dtype=np.float32)[None]
    out = run(EFFECT, levels, ceiling=0.0, knee=6.0, oversample=1)[0]
    start = 10 ** (-6 / 20)
    bend = levels[0] - (levels[0] - start) ** 2 / (4 * (1 - start))
    expected = np.where(levels[0] < start, levels[0], np.where(levels[0] < 2 - start, bend, 1.0))
    np.testing.assert_allclose(out, expected, atol=1e-6)


@pytest.mark.skipif(not native_library.compiled, reason="no compiled kernels")
@pytest.mark.parametrize("n_stages", [0, 1, 2, 3, 4, 5])
@pytest.mark.parametrize("linked", [False, True])
def test_the_pruned_kernel_equals_its_twin_bit_for_bit(n_stages, linked):
    rng = np.random.default_rng(n_stages)
    for trial in range(12):
        density = (0.003, 0.05, 1.0)[trial % 3]
        samples = _noise(2, int(rng.integers(1, 7000)), seed=trial)
        samples *= rng.uniform(size=samples.shape) < density
        threshold = rng.uniform(0.1, 0.3)
        shape = {"ceiling": 0.3, "threshold": threshold, "n_stages": n_stages, "linked": linked}
        np.testing.assert_array_equal(clip(samples, **shape), clip_twin(samples, **shape))
