"""Peak to short-term loudness: tones of known ratio, the least of all found early."""

import numpy as np
import pytest

from chainweigh.errors import SignalError
from chainweigh.measure.loudness import loudness_energies
from chainweigh.measure.psr import least_psr_db, measure_psr

RATE = 48_000


def tone(seconds, n_channels):
    wave = np.sin(2 * np.pi * 997 / RATE * np.arange(seconds * RATE))
    return np.stack([wave] * n_channels).astype(np.float32)


def sample_peak(samples, sample_rate_hz):
    return float(np.abs(samples).max())


@pytest.mark.parametrize(("n_channels", "expected"), [(1, 3.0103), (2, 0.0)])
def test_psr_of_a_full_scale_tone(n_channels, expected):
    psr = measure_psr(tone(6, n_channels), RATE, true_peak=sample_peak)
    np.testing.assert_allclose(psr.times_s, [3, 4, 5, 6])
    np.testing.assert_allclose(psr.psr_db, expected, atol=0.001)
    assert psr.psr_min_db == psr.psr_db.min()


def test_psr_takes_peak_and_loudness_from_the_same_3_s():
    samples = tone(8, 2) * np.float32(0.5)
    samples[:, 6 * RATE + 5000] = 1.0
    psr = measure_psr(samples, RATE, true_peak=sample_peak)
    with_click = psr.times_s > 6
    np.testing.assert_allclose(psr.psr_db[~with_click], 0.0, atol=0.001)
    np.testing.assert_allclose(psr.psr_db[with_click], 6.0206, atol=0.001)


def test_psr_windows_are_faded_outside_not_cut():
    # A meter that sees the window's ends: a bare cut would end in full-scale samples.
    ends = []

    def meter(samples, sample_rate_hz):
        ends.append((samples.shape[1], np.abs(samples[:, [0, -1]]).max()))
        return 1.0

    measure_psr(np.ones((1, 6 * RATE), dtype=np.float32), RATE, true_peak=meter)
    inner = [(length, end) for length, end in ends if length == 3 * RATE + 128]
    assert len(inner) == 2
    assert max(end for _, end in inner) < 0.001


def test_psr_leaves_out_silence_and_says_why_nothing_is_left():
    samples = np.zeros((1, 4 * RATE), dtype=np.float32)
    psr = measure_psr(samples, RATE, true_peak=sample_peak)
    assert psr.psr_min_db is None
    assert psr.undefined == {"psr_min_db": "digital silence"}
    psr = measure_psr(samples[:, :RATE].copy(), RATE, true_peak=sample_peak)
    assert "3000 ms" in psr.undefined["psr_min_db"]


def test_psr_refuses_energies_of_other_samples():
    energies = loudness_energies(tone(4, 1), RATE)
    with pytest.raises(SignalError, match="another length"):
        measure_psr(tone(5, 1), RATE, true_peak=sample_peak, energies=energies)


@pytest.mark.parametrize("seed", range(6))
def test_the_least_ratio_is_that_of_all_windows_with_fewer_metered(seed):
    """Any meter that reads no less than the sample peak will do."""
    rng = np.random.default_rng(seed)
    level = np.repeat(rng.uniform(0.01, 1.0, 60), RATE // 4)
    samples = (level * rng.standard_normal((2, level.size)) * 0.2).astype(np.float32)
    samples[:, rng.integers(0, level.size, 20)] *= 4
    metered = []

    def meter(window, sample_rate_hz):
        metered.append(window.shape[1])
        return sample_peak(window, sample_rate_hz) * (1 + abs(float(window.sum())) % 0.07)

    every = measure_psr(samples, RATE, true_peak=meter).psr_min_db
    n_every = len(metered)
    energies = loudness_energies(samples, RATE)
    assert least_psr_db(samples, RATE, true_peak=meter, energies=energies) == (every, "")
    assert len(metered) - n_every < n_every


@pytest.mark.parametrize(("seconds", "reason"), [(4, "digital silence"), (1, "3000 ms")])
def test_without_a_ratio_the_reason_is_told(seconds, reason):
    silence = np.zeros((2, seconds * RATE), dtype=np.float32)
    energies = loudness_energies(silence, RATE)
    least_db, why = least_psr_db(silence, RATE, true_peak=sample_peak, energies=energies)
    assert least_db is None
    assert reason in why
