"""The ear model's kernels against their twins and against the formulas written out."""

import numpy as np
import pytest

from chainweigh.kernels import native_library as native
from chainweigh.kernels.audibility import (
    BandGrouping,
    Masking,
    band_energies,
    band_energies_twin,
    band_noise,
    noise_to_mask,
    noise_to_mask_twin,
    smear,
    smear_twin,
    spread,
    spread_twin,
    weighted_products,
)
from chainweigh.kernels.ear_frames import ear_frames, ear_frames_twin

N_BINS, STEP_BARK = 129, 0.25
CENTRE_HZ = 650 * np.sinh((0.9 + STEP_BARK * np.arange(40)) / 7)
ONES = np.ones(40)


def grouping(n_bins=N_BINS):
    """Bands of 1, 2, 3 ... bins, up to runs longer than any vector lane."""
    counts = np.array([1, 2, 3, 8, 9, 17, 40], dtype=np.int32)
    first = np.array([0, 0, 2, 5, 13, 21, 80], dtype=np.int32)
    rng = np.random.default_rng(2)
    return BandGrouping(
        bin_weight=rng.uniform(0.1, 2, n_bins).astype(np.float32),
        first_bin=first,
        n_band_bins=counts,
        share=rng.uniform(0, 1, counts.sum()).astype(np.float32),
    )


def spectra(n_frames, seed=1):
    rng = np.random.default_rng(seed)
    parts = rng.standard_normal((2, n_frames, N_BINS))
    return (parts[0] + 1j * parts[1]).astype(np.complex64)


def levels(n_frames):
    rng = np.random.default_rng(4)
    return (10 ** rng.uniform(-2, 10, (n_frames, 40))).astype(np.float32)


@pytest.mark.skipif(not native.compiled, reason="the package was installed without a compiler")
@pytest.mark.parametrize("n_frames", [1, 7, 31, 32, 70])
class TestCompiled:
    def test_band_energies_match_the_twin(self, n_frames):
        got = band_energies(spectra(n_frames), grouping())
        np.testing.assert_allclose(got, band_energies_twin(spectra(n_frames), grouping()), 2e-6)

    def test_spread_matches_the_twin(self, n_frames):
        arguments = levels(n_frames), CENTRE_HZ, STEP_BARK, ONES
        np.testing.assert_allclose(spread(*arguments), spread_twin(*arguments), 1e-5)

    def test_smear_matches_the_twin(self, n_frames):
        keep = np.linspace(0.1, 0.95, 40)
        got, expected = levels(n_frames), levels(n_frames)
        state, twin_state = np.ones(40), np.ones(40)
        smear(got, keep, state)
        smear_twin(expected, keep, twin_state)
        np.testing.assert_allclose(got, expected, 1e-7)
        np.testing.assert_allclose(state, twin_state, 1e-12)

    def test_noise_to_mask_matches_the_twin(self, n_frames):
        shape = (3, n_frames, 40)
        rng = np.random.default_rng(6)
        bands, noise = (10 ** rng.uniform(-2, 10, (2, *shape))).astype(np.float32)
        own_noise, keep = rng.uniform(1, 9, 40).astype(np.float32), np.linspace(0.1, 0.95, 40)
        masking = Masking(own_noise, CENTRE_HZ, STEP_BARK, ONES, keep)
        state, twin_state = np.ones((2, 3, 40))
        got = noise_to_mask(bands, noise, masking, state)
        expected = noise_to_mask_twin(bands, noise, masking, twin_state)
        np.testing.assert_allclose(got, expected, 1e-5)
        np.testing.assert_allclose(state, twin_state, 1e-5)


@pytest.mark.skipif(not native.compiled, reason="the package was installed without a compiler")
@pytest.mark.parametrize("length", [256, 512])  # an odd and an even power of two
@pytest.mark.parametrize("n_channels", [1, 2])
@pytest.mark.parametrize("n_frames", [1, 8, 19])
def test_frames_in_bands_match_the_twin(n_frames, n_channels, length):
    """Within what two float32 transforms differ by."""
    rng = np.random.default_rng(8)
    shape = (2, n_channels, length + 32 * (n_frames - 1))
    pair = rng.standard_normal(shape).astype(np.float32)
    settings = {
        "window": np.hanning(length).astype(np.float32),
        "hop": 32,
        "loudness": rng.uniform(0, 1, length // 2 + 1).astype(np.float32),
        "grouping": grouping(length // 2 + 1),
    }
    got, expected = ear_frames(*pair, **settings), ear_frames_twin(*pair, **settings)
    assert got.bands.shape == (4 if n_channels == 2 else 1, n_frames, 7)
    np.testing.assert_allclose(got.bands, expected.bands, 1e-5)
    np.testing.assert_allclose(got.noise, expected.noise, 1e-4, atol=1e-5)
    np.testing.assert_allclose(got.power, expected.power, 1e-6)
    same = ear_frames(pair[0], pair[0], **settings)
    np.testing.assert_array_equal(same.noise, np.float32(1e-12))


def test_equal_magnitudes_are_no_noise_whatever_their_phase():
    here = spectra(5)
    turned = (here * np.complex64(1j)).astype(np.complex64)
    np.testing.assert_array_equal(band_noise(here, turned, grouping()), np.float32(1e-12))


def test_a_frames_weighted_power_is_the_sum_over_its_bins():
    """Parseval: each bin but the first and last counts for two."""
    signal = np.random.default_rng(5).standard_normal((3, 2 * (N_BINS - 1))).astype(np.float32)
    weight = np.full(N_BINS, 2, dtype=np.float32)
    weight[[0, -1]] = 1
    here = np.fft.rfft(signal).astype(np.complex64)
    power = weighted_products(here, here, weight) / signal.shape[1]
    np.testing.assert_allclose(power, np.square(signal).sum(axis=1), 1e-6)


def test_band_energy_is_the_weighted_sum_of_its_bins():
    bands, here = grouping(), spectra(3)
    offset = int(bands.n_band_bins[:5].sum())
    share = bands.share[offset : offset + 17]
    part = slice(21, 38)
    expected = (np.abs(here[:, part]) ** 2 * bands.bin_weight[part] * share).sum(axis=1)
    np.testing.assert_allclose(band_energies(here, bands)[:, 5], expected, 1e-5)


def test_a_lone_loud_band_spreads_at_the_slopes_of_the_standard():
    """+27 dB/Bark below; -24 - 230/fc + 0.2 L above: BS.1387 (as quoted by Kabal, 2003)."""
    energies = np.full((1, 40), 1e-12, dtype=np.float32)
    energies[0, 20] = 1e6  # 60 dB
    out_db = 10 * np.log10(spread(energies, CENTRE_HZ, STEP_BARK, ONES)[0])
    below_db, above_db = out_db[20] - out_db[16], out_db[20] - out_db[24]
    assert below_db == pytest.approx(27.0, abs=0.05)
    assert above_db == pytest.approx(24 + 230 / CENTRE_HZ[20] - 0.2 * 60, abs=0.05)


def test_spreading_keeps_a_lone_bands_energy():
    energies = np.full((1, 40), 1e-12, dtype=np.float32)
    energies[0, 20] = 1e6
    out = spread(energies, CENTRE_HZ, STEP_BARK, ONES)[0]
    assert out.sum() == pytest.approx(1e6, rel=0.01)


def test_forward_masking_decays_by_the_share_it_keeps():
    frames = np.array([[1.0], [0.0], [0.0]], dtype=np.float32)
    smear(frames, np.array([0.5]), np.zeros(1))
    np.testing.assert_allclose(frames[:, 0], [1.0, 0.25, 0.125])


def test_silence_stays_at_the_floor():
    silence = np.zeros((2, N_BINS), dtype=np.complex64)
    np.testing.assert_array_equal(band_energies(silence, grouping()), np.float32(1e-12))


def test_too_many_bands_are_refused():
    many = np.zeros(129, dtype=np.int32)
    with pytest.raises(ValueError, match="at most 128"):
        BandGrouping(np.ones(4, np.float32), many, many, np.ones(1, np.float32))
