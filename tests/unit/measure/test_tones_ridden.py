"""Ridden tones: they carry the programme's envelope and see what steady tones cannot."""

import numpy as np
import pytest

from chainweigh.errors import SignalError
from chainweigh.measure.reference_bands import reference_bands
from chainweigh.measure.ridden_tones import ridden_tones, thdn_ridden_pct
from chainweigh.measure.tone_weights import programme_distortion, thdn_steady_pct
from chainweigh.measure.tones import ToneGrid, measure_tones, tone_grid, tone_signal

RATE = 44_100


def drum_programme(seconds=6, rate=RATE):
    """Decaying 190 Hz hits with noise at their onsets, two a second, peak 1."""
    rng = np.random.default_rng(5)
    time_s = np.arange(seconds * rate) / rate
    since_hit_s = time_s % 0.5
    body = np.sin(2 * np.pi * 190 * since_hit_s) * np.exp(-since_hit_s / 0.08)
    snap = rng.standard_normal(len(time_s)) * np.exp(-since_hit_s / 0.03)
    programme = body + 0.3 * snap
    return (programme / np.abs(programme).max())[None].astype(np.float32)


def compress(samples, attack_s=0.02, release_s=0.15, ratio=4, threshold_dbfs=-20):
    """Feed-forward peak compressor, then 8 dB up: plain numpy."""
    attack, release = (np.exp(-1 / (t * RATE)) for t in (attack_s, release_s))
    level_db = 20 * np.log10(np.abs(samples[0]) + 1e-9)
    wanted_db = np.minimum(0, (1 / ratio - 1) * (level_db - threshold_dbfs))
    gains_db, gain_db = [], 0.0
    for target_db in wanted_db.tolist():
        pole = attack if target_db < gain_db else release
        gain_db = pole * gain_db + (1 - pole) * target_db
        gains_db.append(gain_db)
    return samples * 10 ** ((np.array(gains_db) + 8) / 20)


def compress_into_clip(samples):
    return np.clip(compress(samples), -1, 1).astype(np.float32)


def in_segments(signal, ridden):
    """Shape (n_windows, n_tones, n_segment_frames)."""
    return signal.reshape(ridden.n_windows, len(ridden.frequencies_hz), -1)


def riding(programme, rate=RATE):
    return ridden_tones(programme, reference_bands(programme, rate))


@pytest.fixture(scope="module")
def bands():
    return reference_bands(drum_programme(), RATE)


@pytest.fixture(scope="module")
def ridden(bands):
    return ridden_tones(drum_programme(), bands)


def test_a_compressor_feeding_a_clip_does_not_read_as_clean(bands, ridden):
    """The required property: the programme loses several percent, steady tones see none of it."""
    programme = drum_programme()
    unclipped = compress(programme)
    lost_pct = 100 * np.linalg.norm(np.clip(unclipped, -1, 1) - unclipped)
    lost_pct /= np.linalg.norm(np.clip(unclipped, -1, 1))
    grid = ToneGrid(RATE, 0.0, (1000.0,), (1487,), (-6.0, 0.0), 1481)
    steady = measure_tones(compress_into_clip(tone_signal(grid)), grid)
    ridden_pct = thdn_ridden_pct(compress_into_clip(ridden.signal), ridden)
    assert lost_pct > 4
    assert steady.thdn_pct.max() < 0.2
    assert lost_pct / 3 < ridden_pct < lost_pct


@pytest.mark.parametrize("attack_s", [0.02, 0.05])
def test_bursts_of_a_tone_read_what_the_clip_behind_the_compressor_makes_of_them(attack_s):
    """A programme the ridden tones repeat but for 2 ms of smoothing: its own spectrum tells."""

    def chain(samples):
        return np.clip(compress(samples, attack_s), -1, 1).astype(np.float32)

    def beyond(signal):
        power = np.abs(np.fft.rfft(signal)) ** 2
        frequency_hz = np.fft.rfftfreq(len(signal), 1 / RATE)
        heard = (frequency_hz > 20) & (frequency_hz < 20_000)
        far = heard & (np.abs(frequency_hz / tone_hz - 1) > 0.75)
        return power[far].sum() / power[heard].sum()

    tone_hz = tone_grid(RATE, 0.0).frequencies_hz[8]
    time_s = np.arange(4 * RATE) / RATE
    level = np.where(time_s % 0.5 < 0.2, 1.0, 0.05)
    bursts = (level * np.sin(2 * np.pi * tone_hz * time_s))[None].astype(np.float32)
    ridden = riding(bursts)
    made_pct = 100 * np.sqrt(beyond(chain(bursts)[0]) - beyond(bursts[0]))
    grid = ToneGrid(RATE, 0.0, (1000.0,), (1487,), (-6.0, 0.0), 1481)
    assert made_pct > 5
    assert 0.88 < thdn_ridden_pct(chain(ridden.signal), ridden) / made_pct < 1
    assert measure_tones(chain(tone_signal(grid)), grid).thdn_pct.max() < 0.05


def test_a_slow_compressor_alone_reads_as_nearly_clean(ridden):
    assert thdn_ridden_pct(compress(ridden.signal).astype(np.float32), ridden) < 0.8


def test_a_gentle_bus_compressor_reads_as_clean(ridden):
    """2:1, 10 ms and 100 ms, about 2 dB of reduction."""
    output = compress(ridden.signal, 0.01, 0.1, ratio=2, threshold_dbfs=-6)
    assert thdn_ridden_pct(output.astype(np.float32), ridden) < 0.2


@pytest.mark.parametrize("gain", [1.0, 0.5, -2.0])
def test_a_bypass_or_gain_reads_nothing(ridden, gain):
    assert thdn_ridden_pct(ridden.signal * np.float32(gain), ridden) < 1e-4


@pytest.mark.parametrize("ceiling", [0.7, 0.5, 0.25])
def test_a_memoryless_clip_reads_about_what_steady_tones_read(bands, ridden, ceiling):
    grid = tone_grid(RATE, 0.0)
    results = measure_tones(np.clip(tone_signal(grid), -ceiling, ceiling), grid)
    steady_pct = thdn_steady_pct(results, bands)
    ridden_pct = thdn_ridden_pct(np.clip(ridden.signal, -ceiling, ceiling), ridden)
    assert 0.6 < ridden_pct / steady_pct < 1.6
    headline = programme_distortion(results, bands, ridden_pct)
    assert headline.thdn_programme_pct == max(steady_pct, ridden_pct)


def test_a_shallow_clip_that_only_the_first_instant_meets_never_reads_above_steady_tones(
    bands, ridden
):
    grid = tone_grid(RATE, 0.0)
    results = measure_tones(np.clip(tone_signal(grid), -0.9, 0.9), grid)
    ridden_pct = thdn_ridden_pct(np.clip(ridden.signal, -0.9, 0.9), ridden)
    assert 0 < ridden_pct < thdn_steady_pct(results, bands)


def test_deeper_clipping_never_reads_lower(ridden):
    readings = [
        thdn_ridden_pct(np.clip(ridden.signal, -(10 ** (-d / 20)), 10 ** (-d / 20)), ridden)
        for d in range(0, 15)
    ]
    assert np.all(np.diff(readings) > 0)


def test_the_tones_are_the_grid_s_from_500_hz_up(ridden):
    frequencies = tone_grid(RATE, 0.0).frequencies_hz
    assert ridden.frequencies_hz == frequencies[5:]


def test_the_loudest_tone_reaches_the_programme_s_peak_but_never_exceeds_it(ridden):
    assert 0.98 < np.abs(ridden.signal).max() <= 1 + 1e-6


def test_half_a_tone_s_frequency_to_either_side_holds_the_envelope(ridden):
    """The kernel's first nulls lie there: less than 0.2 % of amplitude beyond."""
    assert np.all(np.sqrt(ridden.bypass_shares) < 0.002)


def test_the_windows_are_the_loudest_of_the_programme_and_do_not_overlap():
    time_s = np.arange(40 * RATE) / RATE
    level = np.where((time_s >= 10) & (time_s < 14), 1.0, 0.1)
    level = np.where((time_s >= 30) & (time_s < 34), 0.5, level)
    programme = (level * np.sin(2 * np.pi * 440 * time_s))[None].astype(np.float32)
    ridden = riding(programme)
    segments = in_segments(ridden.signal, ridden)[:, 2]
    lead, length = ridden.n_lead_frames, ridden.n_window_frames
    rms = [np.sqrt(np.mean(s[lead : lead + length] ** 2.0)) for s in segments]
    levels = sorted(np.round(np.sqrt(2) * np.array(rms), 1).tolist())
    assert levels == pytest.approx([0.1, 0.1, 0.5, 1.0])


def test_a_hit_out_of_quiet_is_ridden_though_the_programme_is_louder_elsewhere():
    """One hit overshoots; 30 s of a louder tone that fades in do not."""
    time_s = np.arange(40 * RATE) / RATE
    level = np.clip((time_s - 8) / 2, 0.02, 0.9)
    level[5 * RATE : round(5.2 * RATE)] = 0.8
    programme = (level * np.sin(2 * np.pi * 2000 * time_s))[None].astype(np.float32)
    reaches, leaves = compress(programme), compress_into_clip(programme)
    lost_pct = 100 * np.linalg.norm(leaves - reaches) / np.linalg.norm(leaves)
    ridden = riding(programme)
    assert np.array_equal(leaves[:, 6 * RATE :], reaches[:, 6 * RATE :].astype(np.float32))
    assert lost_pct > 1
    assert thdn_ridden_pct(compress_into_clip(ridden.signal), ridden) > lost_pct / 2


def test_a_hit_that_begins_the_programme_is_heard_whole():
    """The analysis may not fade it in: the loudest window begins with it."""
    time_s = np.arange(4 * RATE) / RATE
    hit = np.where(time_s < 0.05, 1.0, 0.1) * np.sin(2 * np.pi * 2000 * time_s)
    first = riding(hit[None].astype(np.float32))
    later = riding(np.roll(hit, RATE)[None].astype(np.float32))
    readings = [thdn_ridden_pct(np.clip(r.signal, -0.5, 0.5), r) for r in (first, later)]
    assert readings[0] == pytest.approx(readings[1], rel=0.01)


def test_the_guard_is_silent(ridden):
    segments = in_segments(ridden.signal, ridden)
    assert not segments[..., -ridden.n_guard_frames + 1 :].any()


def test_a_programme_shorter_than_a_window_is_one_window():
    ridden = riding(drum_programme(1))
    assert ridden.n_windows == 1
    assert ridden.n_window_frames == RATE
    assert thdn_ridden_pct(np.clip(ridden.signal, -0.5, 0.5), ridden) > 1


def test_a_silent_programme_or_output_is_none(ridden):
    silent = riding(np.zeros((2, 5 * RATE), np.float32))
    assert silent.n_windows == 0
    assert thdn_ridden_pct(silent.signal, silent) is None
    assert thdn_ridden_pct(np.zeros_like(ridden.signal), ridden) is None


@pytest.mark.parametrize("rate", [8_000, 11_025, 48_000, 96_000])
def test_other_rates_read_alike(rate):
    ridden = riding(drum_programme(4, rate), rate)
    assert thdn_ridden_pct(ridden.signal, ridden) < 1e-4
    assert 3 < thdn_ridden_pct(np.clip(ridden.signal, -0.5, 0.5), ridden) < 14


def test_two_equal_sides_read_like_one(ridden):
    clipped = np.clip(ridden.signal, -0.5, 0.5)
    both = np.concatenate([clipped, clipped])
    assert thdn_ridden_pct(both, ridden) == pytest.approx(thdn_ridden_pct(clipped, ridden))


def test_distortion_of_a_band_the_programme_lacks_hardly_counts(ridden):
    """Only the 8 kHz tones are clipped; the programme holds little there."""
    output = in_segments(ridden.signal, ridden).copy()
    output[:, -1] = np.clip(output[:, -1], -0.2, 0.2)
    all_clipped = thdn_ridden_pct(np.clip(ridden.signal, -0.2, 0.2), ridden)
    share = ridden.weights[-1] / ridden.weights.sum()
    reading = thdn_ridden_pct(output.reshape(1, -1), ridden)
    assert reading < all_clipped * np.sqrt(share)


def test_an_output_shorter_than_the_signal_is_refused(ridden):
    with pytest.raises(SignalError, match="the signal that was to be rendered has"):
        thdn_ridden_pct(ridden.signal[:, 1:].copy(), ridden)
