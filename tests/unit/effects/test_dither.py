"""Dither: noise floors, statistics, shaping and seeds, against published figures."""

import numpy as np
import pytest

from chainweigh.effects.dither import BLOCK_FRAMES, EFFECT
from chainweigh.errors import ChainFileError
from chainweigh.kernels import native_library
from chainweigh.kernels.dither import round_dithered, round_dithered_twin

RATE_HZ = 44_100
N_FRAMES = 1 << 18


def tone(amplitude=0.5, n_frames=N_FRAMES):
    return (amplitude * np.sin(2 * np.pi * 997 / RATE_HZ * np.arange(n_frames)))[np.newaxis].astype(
        np.float32
    )


def error_in_steps(run, samples, bits, noise="flat"):
    out = run(EFFECT, samples, RATE_HZ, bits=bits, noise=noise).astype(np.float64)
    return (out - samples)[0] * 2.0 ** (bits - 1)


@pytest.mark.parametrize(("bits", "expected_dbfs"), [(16, -96.3296), (24, -144.4944)])
def test_the_noise_floor_is_that_of_triangular_dither(run, bits, expected_dbfs):
    """Lipshitz, Wannamaker, Vanderkooy 1992: total error variance 1/4 step^2."""
    # 24 bits: the programme stays below 0.5, where float32 is finer than the grid
    error = error_in_steps(run, tone(0.4), bits) * 2.0 ** (1 - bits)
    assert 10 * np.log10(np.mean(error**2)) == pytest.approx(expected_dbfs, abs=0.04)


@pytest.mark.parametrize("offset_steps", [0.25, 0.5, 0.75])
def test_mean_and_variance_of_the_error_do_not_depend_on_the_signal(run, offset_steps):
    """First two moments free of the signal, as only triangular dither has them (same source)."""
    error = error_in_steps(run, np.full((1, N_FRAMES), offset_steps * 2.0**-15, np.float32), 16)
    assert np.mean(error) == pytest.approx(0, abs=0.004)
    assert np.var(error) == pytest.approx(0.25, rel=0.01)


PUBLISHED = {  # error filters 1 - sum c z^-k: none, (1 - z^-1)^2, modified E-weighted of 1991
    "flat": (1.0,),
    "rising": (1.0, -2.0, 1.0),
    "hearing": (1.0, -2.033, 2.165, -1.959, 1.590, -0.6149),
}


@pytest.mark.parametrize(
    ("noise", "expected_db"),
    [("rising", 7.7815), ("hearing", 12.192)],  # 10 log10 of the sum of squared coefficients
)
def test_shaping_adds_the_published_total_of_noise(run, noise, expected_db):
    error = error_in_steps(run, tone(), 16, noise)
    assert 10 * np.log10(np.var(error) / 0.25) == pytest.approx(expected_db, abs=0.1)


@pytest.mark.parametrize("noise", PUBLISHED)
def test_shaping_moves_noise_as_published_and_keeps_its_log_average(run, noise):
    """Gerzon, Craven 1989: the mean of log |H| over frequency is 0 dB for any such filter."""
    n = 2048
    error = error_in_steps(run, tone(), 16, noise).reshape(-1, n) * np.hanning(n)
    power = (np.abs(np.fft.rfft(error)) ** 2).mean(axis=0) / (0.25 * np.sum(np.hanning(n) ** 2))
    assert np.mean(10 * np.log10(power[1:-1])) == pytest.approx(0, abs=0.1)
    expected = np.abs(np.fft.rfft(PUBLISHED[noise], n)) ** 2
    for hz in (2000, 4000, 12_000):
        near = slice(hz * n // RATE_HZ - 20, hz * n // RATE_HZ + 20)
        ratio = np.mean(power[near]) / np.mean(expected[near])
        assert 10 * np.log10(ratio) == pytest.approx(0, abs=0.3)


def test_every_sample_lies_on_the_grid(run):
    out = run(EFFECT, tone(), RATE_HZ, bits=16, noise="hearing")
    np.testing.assert_array_equal(out * 2**15, np.rint(out * 2**15))


def test_equal_sides_get_equal_noise_and_different_sides_independent_noise(run):
    pair = np.concatenate([tone(), -tone()])
    out = run(EFFECT, pair, RATE_HZ, bits=16).astype(np.float64) - pair
    assert abs(np.corrcoef(out)[0, 1]) < 0.01
    same = run(EFFECT, np.concatenate([tone(), tone()]), RATE_HZ, bits=16)
    assert same[0].tobytes() == same[1].tobytes()


def test_the_noise_of_a_loop_does_not_repeat(run):
    loop = np.tile(tone(n_frames=BLOCK_FRAMES), 2)
    out = run(EFFECT, loop, RATE_HZ, bits=16)[0]
    assert out[:BLOCK_FRAMES].tobytes() != out[BLOCK_FRAMES:].tobytes()


def test_digital_silence_within_a_song_is_left_alone(run):
    samples = np.concatenate([tone(), np.zeros((1, 4 * BLOCK_FRAMES), np.float32)], axis=1)
    assert not run(EFFECT, samples, RATE_HZ, bits=16, noise="rising")[0, N_FRAMES:].any()


def test_the_filter_made_for_cd_rates_is_refused_at_others():
    with pytest.raises(ChainFileError, match="at 96000 Hz use flat or rising"):
        EFFECT.check_at_rate(96_000, {"noise": "hearing"})


@pytest.mark.skipif(not native_library.compiled, reason="no compiled kernels")
@pytest.mark.parametrize("n_taps", [0, 1, 5])
def test_the_kernel_equals_its_twin_bit_for_bit(n_taps):
    rng = np.random.default_rng(n_taps)
    channel, noise = rng.normal(size=3000).astype(np.float32), rng.uniform(-1, 1, 3000)
    taps = rng.uniform(-0.3, 0.3, n_taps)
    given = {"step": 2.0**-15, "taps": taps}
    out = round_dithered(channel, noise, **given)
    assert out.tobytes() == round_dithered_twin(channel, noise, **given).tobytes()
