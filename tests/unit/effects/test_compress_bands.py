"""Bands against Linkwitz and Riley's closed form and scipy's zero-phase filter."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from chainweigh.audio.array import to_db
from chainweigh.effects import effect
from chainweigh.effects.base import complete_settings
from chainweigh.effects.compress_bands import split_bands
from chainweigh.errors import ChainFileError

BANDS = effect("compress_bands")
RATE_HZ = 48_000
SPLITS_HZ = (120.0, 900.0, 5_000.0)


def run(samples: np.ndarray, **given: object) -> np.ndarray:
    settings = complete_settings(BANDS, given)
    BANDS.check_at_rate(RATE_HZ, settings)
    return BANDS.process(samples, RATE_HZ, settings)


def tone(frequency_hz: float, n_frames: int = RATE_HZ) -> np.ndarray:
    angle = 2 * np.pi * frequency_hz / RATE_HZ * np.arange(n_frames)
    return np.sin(angle).astype(np.float32)[None]


def impulse_responses() -> tuple[np.ndarray, np.ndarray]:
    """Responses of the four bands, centred on frame 0, and their frequencies in Hz."""
    n = 1 << 16
    samples = np.zeros((1, n), np.float32)
    samples[0, n // 2] = 1
    bands = np.concatenate(list(split_bands(samples, RATE_HZ, SPLITS_HZ)))
    return np.fft.rfft(np.fft.fftshift(bands, axes=1)), np.fft.rfftfreq(n, 1 / RATE_HZ)


def test_bands_add_up_flat_and_without_phase_shift() -> None:
    responses, at_hz = impulse_responses()
    heard = (at_hz > 20) & (at_hz < 20_000)
    total = responses.sum(axis=0)[heard]
    assert np.abs(20 * np.log10(np.abs(total))).max() < 1e-4
    assert np.abs(np.angle(total)).max() < 1e-5


def test_each_band_is_a_linkwitz_riley_band_6_db_down_at_its_splits() -> None:
    """Low-pass 1 / (1 + w^4) of the warped frequency; a band is 24 dB/oct on both sides."""
    responses, at_hz = impulse_responses()
    warped = [np.tan(np.pi * at_hz / RATE_HZ) / np.tan(np.pi * s / RATE_HZ) for s in SPLITS_HZ]
    lows = [1 / (1 + w[:-1] ** 4) for w in warped]
    expected = [lows[0], lows[1] - lows[0], lows[2] - lows[1], 1 - lows[2]]
    assert np.abs(responses[:, :-1] - expected).max() < 1e-5
    at_split = np.argmin(np.abs(at_hz - 900))
    assert to_db(np.abs(responses[1, at_split])) == pytest.approx(-6.02, abs=0.02)
    octave = np.abs(responses[3, np.searchsorted(at_hz, [300, 600])])
    assert to_db(octave[1] / octave[0]) == pytest.approx(24, abs=0.2)


def test_the_lowest_band_is_scipys_zero_phase_butterworth() -> None:
    samples = np.random.default_rng(3).uniform(-1, 1, (2, 9_000)).astype(np.float32)
    sos = butter(2, 900, fs=RATE_HZ, output="sos")
    forwards = sosfilt(sos, samples.astype(float), axis=1)
    expected = sosfilt(sos, forwards[:, ::-1], axis=1)[:, ::-1]
    low, _ = split_bands(samples, RATE_HZ, [900.0])
    assert low == pytest.approx(expected, abs=5e-7)


@pytest.mark.parametrize("frequency_hz", [30, 330, 900, 2_100, 15_000])
def test_a_tone_is_turned_down_by_as_much_of_it_as_a_band_holds(frequency_hz: float) -> None:
    """4:1 from -40 dBFS; what the other bands hold of the tone stays."""
    samples = tone(frequency_hz) * np.hanning(RATE_HZ).astype(np.float32) ** 0.25
    splits = dict(zip(("split_1", "split_2", "split_3"), SPLITS_HZ, strict=True))
    warp = np.tan(np.pi / RATE_HZ * np.array([frequency_hz, *SPLITS_HZ]))
    lows = 1 / (1 + (warp[0] / warp[1:]) ** 4)
    held = np.diff(np.concatenate([[0], lows, [1]]))
    for band, share in enumerate(held, start=1):
        given = {f"threshold_{band}": -40.0, f"ratio_{band}": 4.0, f"release_{band}": 1000.0}
        out = run(samples, **splits, **given, knee=0.0)[:, : samples.shape[1]]
        middle = slice(RATE_HZ // 2 - 2_400, RATE_HZ // 2 + 2_400)
        gain = np.std(out[:, middle], dtype=float) / np.std(samples[:, middle], dtype=float)
        down_db = 0.75 * max(40 + to_db(share), 0)
        assert gain == pytest.approx(1 - share * (1 - 10 ** (-down_db / 20)), abs=0.002)


def test_what_stays_below_every_threshold_passes_every_bit() -> None:
    samples = np.random.default_rng(4).uniform(-0.1, 0.1, (2, 9_000)).astype(np.float32)
    out = run(samples, split_1=200.0, threshold_1=-10.0, threshold_2=-10.0)
    assert np.array_equal(out[:, :9_000], samples)
    assert not out[:, 9_000:].any()


def test_the_tail_holds_what_a_band_rings_after_the_end() -> None:
    samples = tone(50, 9_600)
    samples[:, -200:] = 1
    given = {"split_1": 100.0, "threshold_1": -20.0, "ratio_1": 8.0}
    tail = run(samples, **given)[0, 9_600:]
    assert len(tail) == BANDS.tail_frames(RATE_HZ, complete_settings(BANDS, given))
    assert len(tail) == pytest.approx(0.026 * RATE_HZ, abs=48)
    assert np.abs(tail).max() > 0.01
    assert np.abs(tail[-5:]).max() < 1e-4


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"split_1": 400.0, "split_2": 300.0}, r'"split_2" is 300 Hz.*above.*400 Hz'),
        ({"split_1": 400.0, "split_3": 3000.0}, r"2 splits must be split_1, split_2"),
        ({"split_1": 400.0, "threshold_3": -9.0}, r'"threshold_3" is given.*2 bands.*"split_2"'),
        ({"split_1": 400.0, "ratio_2": 4.0}, r'"ratio_2" is given without "threshold_2"'),
    ],
)
def test_settings_that_cannot_work_are_refused(given: dict[str, object], said: str) -> None:
    with pytest.raises(ChainFileError, match=said):
        BANDS.check_at_rate(RATE_HZ, complete_settings(BANDS, given))


def test_a_split_too_high_for_the_sample_rate_is_refused() -> None:
    settings = complete_settings(BANDS, {"split_1": 15_000.0})
    with pytest.raises(ChainFileError, match=r"15000 Hz; at 32000 Hz.*at most 14512 Hz"):
        BANDS.check_at_rate(32_000, settings)
