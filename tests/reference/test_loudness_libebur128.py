"""Loudness against libebur128 1.2.6 (through pyebur128), at the same hops, within 0.001 LU."""

import numpy as np
import pyebur128
import pytest

from chainweigh.measure.loudness import (
    SURROUND_WEIGHTS,
    loudness_energies,
    measure_loudness,
    momentary_lufs,
    short_term_lufs,
)

RATES = [44_100, 48_000, 96_000, 192_000]
AGREE_LU = 0.001
MODES = (
    pyebur128.MeasurementMode.MODE_I
    | pyebur128.MeasurementMode.MODE_S
    | pyebur128.MeasurementMode.MODE_LRA
)


def sines(rate, seconds=8):
    time_s = np.arange(rate * seconds) / rate
    left = 0.3 * np.sin(2 * np.pi * 61 * time_s) + 0.1 * np.sin(2 * np.pi * 1187 * time_s)
    right = 0.2 * np.sin(2 * np.pi * 3511 * time_s) * np.sin(2 * np.pi * 0.31 * time_s)
    return np.stack([left, right]).astype(np.float32)


def noise(rate, seconds=8):
    rng = np.random.default_rng(1770)
    return (0.1 * rng.standard_normal((2, rate * seconds))).astype(np.float32)


def programme(rate, seconds=16):
    """Beats over a swelling pad, with a silent bar and a quiet one."""
    rng = np.random.default_rng(3341)
    time_s = np.arange(rate * seconds) / rate
    beat = np.exp(-12 * (time_s % 0.47)) * np.sin(2 * np.pi * 55 * time_s)
    hiss = np.exp(-40 * (time_s % 0.235)) * rng.standard_normal((2, len(time_s)))
    pad = (0.02 + 0.1 * np.sin(np.pi * time_s / seconds) ** 2) * np.sin(2 * np.pi * 330 * time_s)
    samples = 0.7 * beat + 0.1 * hiss + pad
    samples[:, 6 * rate : 7 * rate] = 0.0
    samples[:, 9 * rate : 11 * rate] *= 0.01
    return samples.astype(np.float32)


SIGNALS = {"sines": sines, "noise": noise, "programme": programme}


def peer_of(samples, rate, modes=MODES):
    state = pyebur128.R128State(len(samples), rate, modes)
    interleaved = np.ascontiguousarray(samples.T)
    state.add_frames(interleaved.ravel(), len(interleaved))
    return state


def peer_maxima(samples, rate, hop_ms):
    """Largest momentary and short-term loudness of complete windows."""
    state = pyebur128.R128State(len(samples), rate, MODES)
    interleaved, n_hop = np.ascontiguousarray(samples.T), rate * hop_ms // 1000
    momentary, short_term = [], []
    for end in range(n_hop, len(interleaved) + 1, n_hop):
        state.add_frames(interleaved[end - n_hop : end].ravel(), n_hop)
        if end >= 0.4 * rate:
            momentary.append(pyebur128.get_loudness_momentary(state))
        if end >= 3 * rate:
            short_term.append(pyebur128.get_loudness_shortterm(state))
    return max(momentary), max(short_term)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("kind", SIGNALS)
def test_integrated_loudness_and_range_agree(kind, rate):
    samples = SIGNALS[kind](rate)
    peer, energies = peer_of(samples, rate), loudness_energies(samples, rate)
    integrated = pyebur128.get_loudness_global(peer)
    assert energies.integrated_lufs() == pytest.approx(integrated, abs=AGREE_LU)
    # libebur128 takes one short-term window a second.
    spread = pyebur128.get_loudness_range(peer)
    assert energies.range_lu(step_ms=1000) == pytest.approx(spread, abs=AGREE_LU)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("kind", SIGNALS)
def test_momentary_and_short_term_maxima_agree_at_a_100_ms_hop(kind, rate):
    samples = SIGNALS[kind](rate, 5)
    momentary, short_term = peer_maxima(samples, rate, 100)
    ours = momentary_lufs(samples, rate, hop_ms=100).loudness_lufs.max()
    assert ours == pytest.approx(momentary, abs=AGREE_LU)
    ours = short_term_lufs(samples, rate, hop_ms=100).loudness_lufs.max()
    assert ours == pytest.approx(short_term, abs=AGREE_LU)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("song", [1, 2])
def test_the_demo_songs_agree(demo_mix, song, rate):
    samples = demo_mix(song, rate)
    peer, energies = peer_of(samples, rate), loudness_energies(samples, rate)
    integrated = pyebur128.get_loudness_global(peer)
    assert energies.integrated_lufs() == pytest.approx(integrated, abs=AGREE_LU)
    spread = pyebur128.get_loudness_range(peer)
    assert spread > 1
    assert energies.range_lu(step_ms=1000) == pytest.approx(spread, abs=AGREE_LU)
    momentary, short_term = peer_maxima(samples, rate, 100)
    ours = momentary_lufs(samples, rate, hop_ms=100).loudness_lufs.max()
    assert ours == pytest.approx(momentary, abs=AGREE_LU)
    ours = short_term_lufs(samples, rate, hop_ms=100).loudness_lufs.max()
    assert ours == pytest.approx(short_term, abs=AGREE_LU)


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_maxima_of_the_result_agree_at_a_10_ms_hop(rate):
    samples = programme(rate, 5)
    momentary, short_term = peer_maxima(samples, rate, 10)
    ours = measure_loudness(samples, rate)
    assert ours.momentary_max_lufs == pytest.approx(momentary, abs=AGREE_LU)
    assert ours.short_term_max_lufs == pytest.approx(short_term, abs=AGREE_LU)


def test_mono_agrees():
    samples = programme(48_000)[:1].copy()
    integrated = pyebur128.get_loudness_global(peer_of(samples, 48_000))
    ours = measure_loudness(samples, 48_000).integrated_lufs
    assert ours == pytest.approx(integrated, abs=AGREE_LU)


def test_five_channels_agree():
    rng = np.random.default_rng(5)
    samples = (0.1 * rng.standard_normal((5, 48_000 * 4))).astype(np.float32)
    # libebur128's own order of five channels is L R C Ls Rs.
    integrated = pyebur128.get_loudness_global(peer_of(samples, 48_000))
    ours = measure_loudness(samples, 48_000, channel_weights=SURROUND_WEIGHTS).integrated_lufs
    assert ours == pytest.approx(integrated, abs=AGREE_LU)


@pytest.mark.parametrize("rate", [11_025, 22_050, 32_000, 37_800])
def test_other_rates_agree_on_steady_signals(rate):
    # At 11025 Hz libebur128 rounds its 100 ms to 1103 frames, so only steady signals compare.
    samples = noise(rate, 6)
    integrated = pyebur128.get_loudness_global(peer_of(samples, rate))
    ours = measure_loudness(samples, rate).integrated_lufs
    assert ours == pytest.approx(integrated, abs=0.01 if rate % 100 else AGREE_LU)


@pytest.mark.parametrize("gain_db", [-50.0, -40.0, -12.0, 6.0])
def test_a_gain_tried_on_cached_energies_reads_as_the_gained_signal(gain_db):
    samples = programme(44_100)
    energies = loudness_energies(samples, 44_100)
    gained = (samples * np.float32(10 ** (gain_db / 20))).astype(np.float32)
    integrated = pyebur128.get_loudness_global(peer_of(gained, 44_100))
    assert energies.integrated_lufs(gain_db) == pytest.approx(integrated, abs=AGREE_LU)
