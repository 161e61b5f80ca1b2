"""Weights of the tone grid: block peaks, band energies, and readings that can be worked out."""

import numpy as np
import pytest

from chainweigh.errors import SignalError
from chainweigh.measure.reference_bands import (
    ReferenceBands,
    band_edges_hz,
    block_boundaries,
    reference_bands,
)
from chainweigh.measure.tone_weights import (
    programme_distortion,
    thdn_set_pct,
    thdn_steady_pct,
)
from chainweigh.measure.tones import ToneGrid, ToneResults, measure_tones, tone_grid, tone_signal

RATE = 44_100
# THD_R of a hard clip by its overdrive in dB: closed form of the clipped sine's Fourier integral
CLIPPED_PCT = {1: 4.626596, 2: 9.210617, 3: 13.261348}


def sine(frequency_hz, peak_dbfs=0.0, seconds=4.0, rate=RATE):
    time_s = np.arange(int(seconds * rate)) / rate
    return (10 ** (peak_dbfs / 20) * np.sin(2 * np.pi * frequency_hz * time_s))[None].astype(
        np.float32
    )


def hand_made_results(thdn_pct, mask=False):
    """Results of a 2 x 3 grid at 8 kHz, whose numbers are chosen."""
    grid = ToneGrid(8_000, 0.0, (1000.0, 2000.0), (8193, 16383), (-20.0, -10.0, 0.0), 8167)
    values = np.ma.array(thdn_pct, mask=mask, dtype=float)
    return ToneResults(grid, values, values, values, 1.0)


def hand_made_bands(block_peaks_dbfs, energies):
    return ReferenceBands(
        8_000, (1000.0, 2000.0), np.array(block_peaks_dbfs), np.array(energies, dtype=float)
    )


@pytest.mark.parametrize("rate", [11_025, 22_050, 44_100, 48_000, 96_000])
def test_blocks_last_10_ms_at_every_rate(rate):
    boundaries = block_boundaries(rate + 7, rate)
    assert len(boundaries) == 102
    assert np.all(np.abs(boundaries[:101] / rate - np.arange(101) / 100) < 0.501 / rate)
    assert boundaries[-1] == rate + 7


def test_a_block_peak_is_the_largest_sample_of_either_sign_over_channels():
    samples = np.zeros((2, 4 * 441), np.float32)
    samples[1, 441 + 440] = -0.5
    samples[0, 2 * 441] = 0.25
    peaks = reference_bands(samples, RATE).block_peaks_dbfs
    assert np.allclose(peaks[1:3], 20 * np.log10([0.5, 0.25]))
    assert np.isneginf(peaks[[0, 3]]).all()


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 96_000])
def test_the_energy_of_noise_is_shared_by_bandwidth(rate):
    noise = np.random.default_rng(3).standard_normal((2, 12 * rate)).astype(np.float32)
    energies = reference_bands(noise, rate).energies.sum(axis=0)
    spectrum = np.abs(np.fft.rfft(noise.astype(float), axis=1)) ** 2
    frequency_hz = np.fft.rfftfreq(noise.shape[1], 1 / rate)
    edges = band_edges_hz(rate)
    for energy, low, high in zip(energies, edges[:-1], edges[1:], strict=True):
        inside = (frequency_hz >= low) & (frequency_hz < high)
        assert energy == pytest.approx(2 * spectrum[:, inside].sum() / noise.shape[1], rel=0.03)


@pytest.mark.parametrize("band", range(10))
def test_a_tone_at_a_centre_counts_in_its_band(band):
    samples = sine(tone_grid(RATE, 0.0).frequencies_hz[band])
    energies = reference_bands(samples, RATE).energies.sum(axis=0)
    whole = np.square(samples.astype(float)).sum()
    assert energies[band] / whole > 0.98
    assert energies.sum() / whole == pytest.approx(1, abs=0.005)


@pytest.mark.parametrize("frequency_hz", [125, 1_000, 8_000])
def test_the_energy_of_a_burst_lies_where_the_burst_is(frequency_hz):
    samples = np.zeros((1, 2 * RATE), np.float32)
    burst = sine(frequency_hz, seconds=0.1) * np.hanning(4410).astype(np.float32)
    samples[:, RATE : RATE + 4410] = burst
    energies = reference_bands(samples, RATE).energies.sum(axis=1)
    centre = np.sum(energies * np.arange(len(energies))) / energies.sum()
    assert centre == pytest.approx(100 + 4.5, abs=0.5)
    assert energies[98:112].sum() / energies.sum() > 0.95


def test_the_weighting_is_the_stated_sum():
    """Worked by hand: THDN interpolated in percent over dB, ends held, squares weighted."""
    results = hand_made_results([[0, 2, 6], [1, 1, 9]])
    bands = hand_made_bands([-40, -15, -2.5, 3], [[1, 0], [2, 1], [3, 0], [0, 4]])
    squares = 1 * 0**2 + 2 * 1**2 + 1 * 1**2 + 3 * 5**2 + 4 * 9**2
    assert thdn_steady_pct(results, bands) == pytest.approx(np.sqrt(squares / 11))


def test_blocks_of_digital_silence_hold_the_quietest_level():
    results = hand_made_results([[3, 0, 0], [3, 0, 0]])
    bands = hand_made_bands([-np.inf, -np.inf], [[1, 0], [0, 1]])
    assert thdn_steady_pct(results, bands) == pytest.approx(3)


def test_a_silent_level_takes_its_neighbour_s_value_and_a_silent_band_is_left_out():
    mask = [[True, False, False], [True, True, True]]
    results = hand_made_results([[0, 2, 6], [0, 0, 0]], mask)
    bands = hand_made_bands([-30, 0], [[1, 5], [1, 5]])
    assert thdn_steady_pct(results, bands) == pytest.approx(np.sqrt((2**2 + 6**2) / 2))


def test_nothing_to_weigh_is_none_with_a_reason():
    silent = hand_made_bands([-np.inf], [[0, 0]])
    results = hand_made_results([[1, 1, 1], [1, 1, 1]])
    assert thdn_steady_pct(results, silent) is None
    everything = programme_distortion(results, silent, None)
    assert everything.thdn_programme_pct is None
    assert set(everything.undefined) == {
        "thdn_steady_pct",
        "thdn_ridden_pct",
        "thdn_programme_pct",
    }


def test_the_headline_is_the_larger_of_steady_and_ridden():
    results = hand_made_results([[2, 2, 2], [2, 2, 2]])
    bands = hand_made_bands([0.0], [[1, 1]])
    assert programme_distortion(results, bands, 1.0).thdn_programme_pct == pytest.approx(2)
    assert programme_distortion(results, bands, 5.0).thdn_programme_pct == pytest.approx(5)
    assert programme_distortion(results, bands, None).thdn_programme_pct == pytest.approx(2)
    assert "thdn_ridden_pct" in programme_distortion(results, bands, None).undefined


@pytest.fixture(scope="module")
def clipped_at_minus_3_dbfs():
    grid = tone_grid(RATE, 0.0)
    ceiling = np.float32(10 ** (-3 / 20))
    return measure_tones(np.clip(tone_signal(grid), -ceiling, ceiling), grid)


@pytest.mark.parametrize(("peak_dbfs", "overdrive_db"), [(0, 3), (-1, 2), (-2, 1)])
@pytest.mark.parametrize("frequency_hz", [63, 125, 250])
def test_a_steady_sine_through_a_hard_clip_reads_its_closed_form(
    clipped_at_minus_3_dbfs, frequency_hz, peak_dbfs, overdrive_db
):
    bands = reference_bands(sine(frequency_hz, peak_dbfs), RATE)
    steady_pct = thdn_steady_pct(clipped_at_minus_3_dbfs, bands)
    assert steady_pct == pytest.approx(CLIPPED_PCT[overdrive_db], rel=0.002)


def test_between_two_levels_the_reading_is_the_mean_of_theirs(clipped_at_minus_3_dbfs):
    bands = reference_bands(sine(250, -1.5), RATE)
    expected = (CLIPPED_PCT[1] + CLIPPED_PCT[2]) / 2
    assert thdn_steady_pct(clipped_at_minus_3_dbfs, bands) == pytest.approx(expected, rel=0.002)


def test_a_bypass_reads_the_floor_of_float32():
    grid = tone_grid(RATE, 0.0)
    bands = reference_bands(sine(1_000), RATE)
    assert thdn_steady_pct(measure_tones(tone_signal(grid), grid), bands) < 5e-6


def test_the_weighting_follows_a_hard_clip_s_true_residual_on_a_programme():
    """The estimate for decaying noise stays within a third of what the clip really removes."""
    rng = np.random.default_rng(8)
    time_s = np.arange(8 * RATE) / RATE
    programme = rng.standard_normal(8 * RATE) * np.exp(-(time_s % 0.5) / 0.1)
    programme *= 1 / np.abs(programme).max()
    clipped = np.clip(programme, -0.5, 0.5)
    gain = np.vdot(programme, clipped) / np.vdot(programme, programme)
    true_pct = 100 * np.linalg.norm(clipped - gain * programme) / np.linalg.norm(clipped)
    grid = tone_grid(RATE, 0.0)
    results = measure_tones(np.clip(tone_signal(grid), -0.5, 0.5), grid)
    bands = reference_bands(programme[None].astype(np.float32), RATE)
    assert 2 / 3 < thdn_steady_pct(results, bands) / true_pct < 3 / 2


def test_results_of_another_rate_are_refused():
    results = hand_made_results([[1, 1, 1], [1, 1, 1]])
    with pytest.raises(SignalError, match="8000 Hz on 2 centres"):
        thdn_steady_pct(results, reference_bands(sine(1_000), RATE))


def test_an_empty_programme_is_refused():
    with pytest.raises(SignalError, match="0 frames"):
        reference_bands(np.zeros((1, 0), np.float32), RATE)


def test_a_programme_shorter_than_a_block_is_one_block():
    bands = reference_bands(sine(1_000, seconds=0.004), RATE)
    assert bands.energies.shape == (1, 10)
    assert bands.energies.sum() == pytest.approx(
        np.square(sine(1_000, seconds=0.004)).sum(), rel=0.1
    )


def test_a_set_weighs_its_groups_by_energy_and_adds_the_master_in_power():
    assert thdn_set_pct([3, 1], [2, 6]) == pytest.approx(np.sqrt((3 * 4 + 36) / 4))
    assert thdn_set_pct([3, 1], [2, 6], master_pct=2) == pytest.approx(np.sqrt(12 + 4))
    assert thdn_set_pct([0, 0], [2, 6]) is None
    with pytest.raises(SignalError, match="2 energies for 1"):
        thdn_set_pct([1, 1], [1])
    with pytest.raises(SignalError, match="not negative"):
        thdn_set_pct([1, -1], [1, 1])
