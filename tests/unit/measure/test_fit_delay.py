"""The delay estimate on chains whose delay is known by construction."""

import numpy as np
import pytest
from scipy.signal import butter, lfilter, sosfilt

from chainweigh.errors import SignalError
from chainweigh.measure.delay import Delay, estimate_delay

RATE = 44_100
NO_DELAY = Delay(0, 0.0, False)


def planar(rows):
    return np.ascontiguousarray(np.atleast_2d(rows), dtype=np.float32)


def programme(seconds=4.0):
    """Dark noise hits with a second of silence at the end."""
    rng = np.random.default_rng(11)
    n = round(seconds * RATE)
    white = rng.standard_normal((2, n))
    hits = np.exp(-8 * ((np.arange(n) / RATE) % 0.5))
    return planar(np.pad(0.1 * lfilter([1], [1, -0.9], white) * hits, ((0, 0), (0, RATE))))


def kick_loop():
    """One decaying 50 Hz hit repeated exactly, with a second of silence at the end."""
    t = np.arange(RATE // 2) / RATE
    hit = 0.5 * np.sin(2 * np.pi * 50 * t) * np.exp(-8 * t)
    return planar(np.pad(np.tile(hit, 8), (0, RATE)))


def late(samples, n_frames):
    n = samples.shape[1]
    moved = np.pad(samples, ((0, 0), (max(n_frames, 0), max(-n_frames, 0))))
    return planar(moved[:, :n] if n_frames >= 0 else moved[:, -n:])


@pytest.mark.parametrize(
    "make, n_frames",
    [(make, n) for make in (programme, kick_loop) for n in (0, 1, 2, 37, 5000, 44_100)]
    + [(programme, -5), (programme, -300)],
)
def test_a_chain_that_only_delays_is_found_exactly(make, n_frames):
    reference = make()
    delay = estimate_delay(reference, late(reference, n_frames), sample_rate_hz=RATE)
    assert (delay.frames, delay.sharp) == (n_frames, True)
    assert delay.fraction == pytest.approx(0, abs=0.05)


@pytest.mark.parametrize("delay_frames", [0.4, 1.3, 100.7])
def test_a_fraction_of_a_sample_is_found(delay_frames):
    reference = programme()
    size = 2 * reference.shape[1]
    spectrum = np.fft.rfft(reference, size)
    ramp = np.exp(-2j * np.pi * np.arange(spectrum.shape[1]) * delay_frames / size)
    candidate = planar(np.fft.irfft(spectrum * ramp, size)[:, : reference.shape[1]])
    delay = estimate_delay(reference, candidate, sample_rate_hz=RATE)
    assert delay.sharp
    assert delay.frames + delay.fraction == pytest.approx(delay_frames, abs=0.02)


def test_an_inverted_late_copy_is_late():
    reference = programme()
    delay = estimate_delay(reference, planar(-0.3 * late(reference, 64)), sample_rate_hz=RATE)
    assert (delay.frames, delay.sharp) == (64, True)


@pytest.mark.parametrize(
    "order, corner_hz, kind",
    [
        (2, 5000, "low"),
        (2, 10_000, "low"),
        (4, 15_000, "low"),
        (2, 30, "high"),
        (4, 1000, "high"),
    ],
)
def test_a_filter_of_minimum_phase_is_no_delay(order, corner_hz, kind):
    reference = programme()
    sections = butter(order, corner_hz, kind, fs=RATE, output="sos")
    candidate = planar(sosfilt(sections, reference))
    assert estimate_delay(reference, candidate, sample_rate_hz=RATE).frames == 0


def test_clipping_and_compression_are_no_delay():
    reference = programme()
    level = lfilter([0.001], [1, -0.999], np.abs(reference).max(axis=0))
    squeezed = planar(reference * np.minimum(1, (level / 0.02 + 1e-9) ** -0.5))
    clipped = np.clip(reference, -0.02, 0.02)
    assert estimate_delay(reference, squeezed, sample_rate_hz=RATE).frames == 0
    assert estimate_delay(reference, clipped, sample_rate_hz=RATE).frames == 0


def test_a_late_clip_is_late():
    reference = programme()
    clipped = late(np.clip(reference, -0.05, 0.05), 77)
    delay = estimate_delay(reference, clipped, sample_rate_hz=RATE)
    assert (delay.frames, delay.sharp) == (77, True)


def test_silence_and_unrelated_noise_are_not_sharp():
    reference = programme()
    noise = planar(np.random.default_rng(5).standard_normal(reference.shape))
    silence = np.zeros_like(reference)
    assert estimate_delay(reference, silence, sample_rate_hz=RATE) == NO_DELAY
    assert estimate_delay(silence, reference, sample_rate_hz=RATE) == NO_DELAY
    assert estimate_delay(reference, noise, sample_rate_hz=RATE) == NO_DELAY


def test_a_single_sample_does_not_break_it():
    one = planar([0.5])
    assert estimate_delay(one, one, sample_rate_hz=RATE).frames == 0


def test_bad_input_is_refused():
    reference = programme(0.5)
    with pytest.raises(SignalError, match="shape"):
        estimate_delay(reference, reference[:1].copy(), sample_rate_hz=RATE)
    with pytest.raises(SignalError, match="Hz"):
        estimate_delay(reference, reference, sample_rate_hz=4000)
