import numpy as np
import pytest
from scipy.signal import sosfilt

from chainweigh.effects import effect
from chainweigh.effects.base import complete_settings
from chainweigh.effects.eq import process_bands, sections
from chainweigh.errors import ChainFileError

EQ = effect("eq")


def check(given: dict[str, object], sample_rate_hz: int = 48_000) -> None:
    EQ.check_at_rate(sample_rate_hz, complete_settings(EQ, given))


@pytest.mark.parametrize("shape", ["peak", "low_shelf", "high_shelf", "tilt"])
def test_no_gain_passes_every_bit(shape: str) -> None:
    samples = np.random.default_rng(1).normal(size=(2, 3000)).astype(np.float32)
    settings = complete_settings(EQ, {"shape": shape, "frequency": 440, "gain": 0})
    assert np.array_equal(EQ.process(samples, 48_000, settings), samples)


def test_a_tone_at_the_centre_of_a_peak_gains_what_was_asked() -> None:
    rate_hz, n_settle = 48_000, 9_600
    tone = 0.1 * np.sin(2 * np.pi * 1000 / rate_hz * np.arange(2 * n_settle))
    settings = complete_settings(EQ, {"shape": "peak", "frequency": 1000, "gain": 6})
    out = EQ.process(tone[None].astype(np.float32), rate_hz, settings)
    ratio = np.std(out[0, n_settle:], dtype=float) / np.std(tone[n_settle:])
    assert 20 * np.log10(ratio) == pytest.approx(6, abs=1e-5)


def test_the_output_is_scipys_filter_with_the_same_sections() -> None:
    samples = np.random.default_rng(2).uniform(-1, 1, (2, 5000)).astype(np.float32)
    settings = complete_settings(EQ, {"shape": "low_cut", "frequency": 30, "slope": 48})
    sos = np.insert(sections(44_100, settings), 3, 1.0, axis=1)
    expected = sosfilt(sos, samples.astype(np.float64), axis=1)
    assert EQ.process(samples, 44_100, settings) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("frequency_hz", [24_000, 30_000])
def test_a_frequency_at_or_above_nyquist_is_refused_with_the_limit(frequency_hz: float) -> None:
    given = {"shape": "high_cut", "frequency": frequency_hz}
    check(given, sample_rate_hz=96_000)
    with pytest.raises(ChainFileError, match=f"{frequency_hz} Hz.*48000 Hz.*below 24000 Hz"):
        check(given)


def test_a_cut_with_gain_is_refused() -> None:
    with pytest.raises(ChainFileError, match='"gain" is 3 dB, but a low_cut has no gain'):
        check({"shape": "low_cut", "frequency": 40, "gain": 3})


def test_a_shelf_with_slope_is_refused() -> None:
    with pytest.raises(ChainFileError, match=r'"slope" is 24 dB/oct.*low_cut and high_cut'):
        check({"shape": "low_shelf", "frequency": 40, "gain": 3, "slope": 24})


def test_bands_in_one_go_equal_one_stage_after_the_other() -> None:
    samples = np.random.default_rng(9).uniform(-1, 1, (2, 5000)).astype(np.float32)
    given = [
        {"shape": "low_cut", "frequency": 30, "slope": 36},
        {"shape": "peak", "frequency": 300, "gain": 0},
        {"shape": "peak", "frequency": 900, "gain": -4, "q": 2},
        {"shape": "high_shelf", "frequency": 7000, "gain": 3},
    ]
    bands = [complete_settings(EQ, each) for each in given]
    in_turn = samples
    for band in bands:
        in_turn = EQ.process(in_turn, 48_000, band)
    assert process_bands(samples, 48_000, bands) == pytest.approx(in_turn, abs=1e-6)


def test_no_band_at_all_passes_every_bit() -> None:
    samples = np.random.default_rng(9).uniform(-1, 1, (2, 500)).astype(np.float32)
    assert np.array_equal(process_bands(samples, 48_000, []), samples)
