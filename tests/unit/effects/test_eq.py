import numpy as np
import pytest
from scipy.signal import fftconvolve, sosfilt

from chainweigh.effects import effect
from chainweigh.effects.base import complete_settings
from chainweigh.effects.eq import process_bands, sections
from chainweigh.effects.eq_curve import analog_sections, ring_s
from chainweigh.effects.eq_linear import symmetric_taps
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
    assert 20 * np.log10(ratio) == pytest.approx(6, abs=0.01)


def test_the_output_is_scipys_filter_with_the_same_sections() -> None:
    samples = np.random.default_rng(2).uniform(-1, 1, (2, 5000)).astype(np.float32)
    settings = complete_settings(EQ, {"shape": "low_cut", "frequency": 30, "slope": 48})
    sos = np.insert(sections(44_100, settings), 3, 1.0, axis=1)
    expected = sosfilt(sos, samples.astype(np.float64), axis=1)
    assert EQ.process(samples, 44_100, settings) == pytest.approx(expected, abs=1e-6)


def test_a_frequency_above_20_khz_at_44100_hz_is_refused_with_the_limit() -> None:
    given = {"shape": "high_cut", "frequency": 20_001}
    check(given, sample_rate_hz=48_000)
    check({"shape": "high_cut", "frequency": 20_000}, sample_rate_hz=44_100)
    with pytest.raises(ChainFileError, match=r"20001 Hz; at 44100 Hz.*at most 20000 Hz"):
        check(given, sample_rate_hz=44_100)


def test_a_cut_with_gain_is_refused() -> None:
    with pytest.raises(ChainFileError, match='"gain" is 3 dB, but a low_cut has no gain'):
        check({"shape": "low_cut", "frequency": 40, "gain": 3})


def test_a_shelf_with_slope_is_refused() -> None:
    with pytest.raises(ChainFileError, match=r'"slope" is 24 dB/oct.*low_cut and high_cut'):
        check({"shape": "low_shelf", "frequency": 40, "gain": 3, "slope": 24})


LINEAR = {"shape": "peak", "frequency": 1000, "gain": 6, "q": 1, "phase": "linear"}


def linear(samples: np.ndarray, **given: object) -> np.ndarray:
    return EQ.process(samples, 44_100, complete_settings(EQ, {**LINEAR, **given}))


def test_linear_phase_answers_an_impulse_symmetrically_where_it_stood() -> None:
    n = 12_000
    impulse = np.zeros((1, 2 * n + 1), np.float32)
    impulse[0, n] = 1
    for given in ({}, {"shape": "low_cut", "gain": 0, "frequency": 60, "slope": 24}):
        out = linear(impulse, **given)[0]
        assert int(np.argmax(np.abs(out))) == n
        assert np.abs(out - out[::-1]).max() < 1e-7


def test_linear_phase_shifts_no_tone() -> None:
    phase = 2 * np.pi * 700 / 44_100 * np.arange(44_100)
    tone = np.sin(phase).astype(np.float32)[None]
    inside = slice(11_025, 33_075)
    found = np.vdot(np.exp(1j * phase[inside]), linear(tone)[0, inside])
    assert np.angle(found) == pytest.approx(-np.pi / 2, abs=1e-6)


def test_linear_phase_in_blocks_equals_one_convolution() -> None:
    samples = np.random.default_rng(4).uniform(-1, 1, (2, 70_000)).astype(np.float32)
    taps = symmetric_taps(analog_sections(complete_settings(EQ, LINEAR)), 1000.0, 44_100)
    expected = fftconvolve(samples.astype(float), taps[None], axes=1)[:, len(taps) // 2 :]
    assert linear(samples) == pytest.approx(expected[:, :70_000], abs=2e-7)


def test_linear_phase_that_would_ring_too_long_is_refused() -> None:
    given = {"shape": "peak", "frequency": 20, "gain": 6, "q": 10, "phase": "linear"}
    with pytest.raises(ChainFileError, match=r"would ring 2\.\d+ s before.*at most 0.5 s"):
        check(given)
    check({**given, "phase": "minimum"})


@pytest.mark.parametrize("phase", ["minimum", "linear"])
def test_mid_and_side_are_filtered_apart(phase: str) -> None:
    mid, side = np.random.default_rng(5).uniform(-0.4, 0.4, (2, 4_000)).astype(np.float32)
    samples = np.stack([mid + side, mid - side])
    given = {"shape": "high_shelf", "frequency": 3000, "gain": 6, "phase": phase}
    filtered = EQ.process(np.stack([mid, side]), 48_000, complete_settings(EQ, given))
    for on, (m, s) in {
        "mid": (filtered[0], side),
        "side": (mid, filtered[1]),
    }.items():
        out = EQ.process(samples, 48_000, complete_settings(EQ, {**given, "on": on}))
        assert out == pytest.approx(np.stack([m + s, m - s]), abs=4e-7)


def test_a_mono_signal_is_all_mid_and_has_no_side() -> None:
    mono = np.random.default_rng(6).uniform(-1, 1, (1, 4_000)).astype(np.float32)
    given = {"shape": "low_shelf", "frequency": 200, "gain": 6}
    plain = EQ.process(mono, 48_000, complete_settings(EQ, given))
    mid = EQ.process(mono, 48_000, complete_settings(EQ, {**given, "on": "mid"}))
    side = EQ.process(mono, 48_000, complete_settings(EQ, {**given, "on": "side"}))
    assert mid == pytest.approx(plain, abs=3e-7)
    assert np.array_equal(side, mono)


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


@pytest.mark.parametrize(
    "band",
    [
        {"shape": "peak", "gain": -9.0, "q": 12.0},
        {"shape": "low_shelf", "gain": 6.0, "q": 0.3},
        {"shape": "tilt", "gain": 3.0, "q": 0.7},
        {"shape": "high_cut", "slope": 48, "q": 0.7},
        {"shape": "low_cut", "slope": 24, "q": 3.0},
    ],
    ids=lambda band: band["shape"],
)
def test_a_band_rings_as_long_as_the_slowest_root_of_its_polynomials(band) -> None:
    """Roots by numpy's companion matrices."""
    found = analog_sections(complete_settings(EQ, {"frequency": 100.0, **band}))
    roots = np.concatenate([np.roots(p[::-1]) for section in found for p in section])
    slowest = np.abs(roots.real)[np.abs(roots) > 0].min()
    assert ring_s(found, 100.0) == pytest.approx(1 / (2 * np.pi * 100.0 * slowest), rel=1e-9)
