"""Third octaves against closed forms: band edges, tones, noise, known filters."""

import numpy as np
import pytest
from scipy.signal import sosfilt, sosfreqz

from chainweigh.errors import SignalError
from chainweigh.measure.spectrum import (
    band_centres_hz,
    compare_third_octaves,
    measure_spectrum_change,
    measure_third_octaves,
)

RATE = 48_000
RNG_SEED = 11

# Nominal centres of IEC 61260-1:2014 annex E (from memory), 20 Hz to 20 kHz.
NOMINAL_HZ = (
    *(20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800),
    *(1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10_000, 12_500, 16_000, 20_000),
)


def planar(*rows):
    return np.ascontiguousarray(np.stack(rows), dtype=np.float32)


def tone(frequency_hz, length_s=4, amplitude=1.0):
    return amplitude * np.sin(2 * np.pi * frequency_hz * np.arange(round(length_s * RATE)) / RATE)


def white(seed=RNG_SEED, length_s=20):
    return 0.1 * np.random.default_rng(seed).standard_normal(length_s * RATE)


def peaking(centre_hz, gain_db, q):
    """RBJ cookbook peaking section, as scipy second-order sections."""
    a = 10 ** (gain_db / 40)
    w = 2 * np.pi * centre_hz / RATE
    alpha = np.sin(w) / (2 * q)
    b = np.array([1 + alpha * a, -2 * np.cos(w), 1 - alpha * a])
    denominator = np.array([1 + alpha / a, -2 * np.cos(w), 1 - alpha / a])
    return np.concatenate([b, denominator])[np.newaxis] / denominator[0]


def test_centres_round_to_the_nominal_ones():
    centres = band_centres_hz(RATE)
    assert len(centres) == 31
    assert centres == pytest.approx(NOMINAL_HZ, rel=0.013)
    assert centres[17] == pytest.approx(1000, rel=1e-12)
    assert centres[20] / centres[17] == pytest.approx(10**0.3, rel=1e-12)


def test_a_band_that_reaches_beyond_half_the_rate_is_left_out():
    assert band_centres_hz(44_100)[-1] == pytest.approx(15_848.93, abs=0.01)
    assert band_centres_hz(96_000)[-1] == pytest.approx(19_952.62, abs=0.01)


@pytest.mark.parametrize("band", range(31))
def test_a_sine_at_a_centre_reads_its_mean_square_in_its_band_alone(band):
    wave = tone(band_centres_hz(RATE)[band])
    wave *= np.hanning(len(wave))  # a bare cut would spread; its mean square is 3/8
    thirds = measure_third_octaves(planar(wave), RATE)
    expected = 10 * np.log10(0.5 * 3 / 8)
    assert thirds.levels_db[band] == pytest.approx(expected, abs=0.02 if band < 4 else 0.002)
    for other, level in enumerate(thirds.levels_db):
        if level is not None and abs(other - band) >= 2:
            assert level - expected < (-45 if abs(other - band) == 2 else -54)


def test_a_full_scale_sine_reads_minus_three():
    # Its cut ends spread 0.001 dB of it, 4 s long.
    thirds = measure_third_octaves(planar(tone(1000)), RATE)
    assert thirds.levels_db[17] == pytest.approx(-3.0103, abs=0.002)


@pytest.mark.parametrize("side", [-1, 1])
def test_edges_lie_a_sixth_of_an_octave_from_the_centre(side):
    edge = 1000 * 10 ** (side * 0.05)
    for detune, inside in ((-5 * side, True), (5 * side, False)):
        levels = measure_third_octaves(planar(tone(edge + detune)), RATE).levels_db
        assert (levels[17] > -3.3) == inside
        assert (levels[17 + side] > -3.3) != inside


def test_white_noise_rises_by_a_third_octaves_width():
    # Level of a band: density times width, f * (10**0.05 - 10**-0.05), of 0.01 over 24 kHz.
    thirds = measure_third_octaves(planar(white(length_s=60)), RATE)
    width = np.array(thirds.centres_hz) * (10**0.05 - 10**-0.05)
    expected = 10 * np.log10(0.01 * width / 24_000)
    # A band's estimate spreads by 4.34 / sqrt(width * 60 s) dB.
    assert np.all(np.abs(np.array(thirds.levels_db) - expected) < 4 * 4.34 / np.sqrt(60 * width))


def test_bands_add_up_to_the_mean_square_of_what_lies_within_them():
    signal = sum(tone(f, amplitude=a) for f, a in ((90, 0.5), (777, 0.3), (5100, 0.2)))
    levels = np.array(measure_third_octaves(planar(signal), RATE).levels_db)
    expected = 10 * np.log10(np.mean(signal**2))
    assert 10 * np.log10(np.sum(10 ** (levels / 10))) == pytest.approx(expected, abs=1e-3)


def test_a_sample_at_the_very_end_counts_as_much_as_one_in_the_middle():
    first, middle, last = (np.zeros(3 * RATE) for _ in range(3))
    first[0], middle[RATE], last[-1] = 1, 1, 1
    levels = [measure_third_octaves(planar(x), RATE).levels_db for x in (first, middle, last)]
    assert np.array(levels[0][8:]) == pytest.approx(np.array(levels[1][8:]), abs=0.01)
    assert np.array(levels[2][8:]) == pytest.approx(np.array(levels[1][8:]), abs=0.01)


def test_a_silent_channel_halves_the_energy():
    one, two = planar(tone(1000)), planar(tone(1000), 0 * tone(1000))
    levels = [measure_third_octaves(x, RATE).levels_db[17] for x in (one, two)]
    assert levels[1] - levels[0] == pytest.approx(-3.0103, abs=1e-4)


@pytest.mark.parametrize("gain_db", [-4.0, 0.7])
def test_a_gain_changes_every_band_alike(gain_db):
    noise = planar(white())
    change = measure_spectrum_change(noise, (10 ** (gain_db / 20) * noise).astype(np.float32), RATE)
    assert change.change_db == pytest.approx([gain_db] * 31, abs=1e-4)
    assert change.largest_change_db == pytest.approx(gain_db, abs=1e-4)


@pytest.mark.parametrize(("centre_hz", "gain_db"), [(80, 3.0), (1000, -6.0), (8000, 4.0)])
def test_a_known_filter_reads_as_its_response(centre_hz, gain_db):
    sos = peaking(centre_hz, gain_db, q=1.0)
    noise = white(length_s=30)
    change = measure_spectrum_change(planar(noise), planar(sosfilt(sos, noise)), RATE)
    for at, found in zip(change.centres_hz, change.change_db, strict=True):
        inside = at * 10 ** np.linspace(-0.05, 0.05, 201)
        _, response = sosfreqz(sos, inside, fs=RATE)
        expected = 10 * np.log10(np.mean(np.abs(response) ** 2 * inside) / np.mean(inside))
        assert found == pytest.approx(expected, abs=0.25 if at < 100 else 0.08)
    assert change.largest_change_hz == pytest.approx(centre_hz, rel=0.05)
    assert change.largest_change_db == pytest.approx(gain_db, abs=0.3)


@pytest.mark.parametrize(("gain_db", "flagged"), [(3.0, True), (-3.0, True), (0.5, False)])
def test_low_bands_that_changed_by_over_a_decibel_are_flagged(gain_db, flagged):
    noise = white()
    shaped = sosfilt(peaking(60, gain_db, q=2.0), noise)
    # White noise leaves 60 Hz some 25 dB below its treble: within the range that counts.
    found = measure_spectrum_change(planar(noise), planar(shaped), RATE).flagged_hz
    assert bool(found) == flagged
    assert all(30 <= hz <= 120 for hz in found)


def test_a_change_above_the_low_bands_is_not_flagged():
    noise = white()
    shaped = sosfilt(peaking(1000, 6.0, q=2.0), noise)
    assert measure_spectrum_change(planar(noise), planar(shaped), RATE).flagged_hz == ()


def test_bands_without_programme_are_undefined_until_the_candidate_fills_them():
    bass = tone(60)
    change = measure_spectrum_change(planar(bass), planar(bass + tone(180, amplitude=0.1)), RATE)
    at = dict(zip(np.round(change.centres_hz), change.change_db, strict=True))
    assert at[5012.0] is None
    assert "more than 40 dB below" in change.undefined["change_db at 5012 Hz"]
    assert at[200.0] > 20
    assert change.largest_change_hz == pytest.approx(199.526, abs=0.01)


def test_silence_is_undefined():
    silence = np.zeros((2, RATE), np.float32)
    change = measure_spectrum_change(silence, silence, RATE)
    assert set(change.change_db) == {None}
    assert change.largest_change_db is change.largest_change_hz is None
    assert change.undefined["largest_change_db"] == "the signal is silent"


def test_a_silent_candidate_is_undefined_not_minus_infinity():
    noise = planar(white(length_s=2))
    change = measure_spectrum_change(noise, 0 * noise, RATE)
    assert change.largest_change_db is None
    assert "candidate is silent" in change.undefined["change_db at 1000 Hz"]


def test_input_is_checked_at_the_door():
    with pytest.raises(SignalError, match="no frames"):
        measure_third_octaves(np.zeros((1, 0), np.float32), RATE)
    noise = planar(white(length_s=1))
    with pytest.raises(SignalError, match="one rate"):
        compare_third_octaves(
            measure_third_octaves(noise, RATE), measure_third_octaves(noise, 44_100)
        )
