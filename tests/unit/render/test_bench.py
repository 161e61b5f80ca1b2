"""The tone bench against closed forms, formulas and chains whose readings are known."""

import dataclasses

import numpy as np
import pytest

from chainweigh.chain.chain import Chain, Stage, bypass
from chainweigh.chain.values import LevelExpression
from chainweigh.errors import ChainFileError, RenderError, SignalError
from chainweigh.render.bench import bench_at_level, bench_on_programme
from chainweigh.render.bench_noise import measure_noise
from chainweigh.render.bench_response import measure_response, response_frequencies_hz

RATE_HZ = 44_100


def chain(*stages, name="under test"):
    return Chain(name, "bus", "", tuple(Stage(effect, settings) for effect, settings in stages))


def clip_harmonics(r, n):
    """Amplitude of odd harmonic n of a unit sine clipped symmetrically at r (Fourier series)."""
    if n == 1:
        return 2 / np.pi * (np.arcsin(r) + r * np.sqrt(1 - r * r))
    phi = np.arccos(r)
    rising, falling = np.sin((n - 1) * phi) / (n - 1), np.sin((n + 1) * phi) / (n + 1)
    return -2 / np.pi * (rising - falling) / n


def closed_form_thd_pct(r, frequency_hz):
    """THD re the total in percent, of the harmonics up to 20 kHz."""
    harmonics = range(3, int(20_000 / frequency_hz) + 1, 2)
    rest = sum(clip_harmonics(r, n) ** 2 for n in harmonics)
    return 100 * np.sqrt(rest / (rest + clip_harmonics(r, 1) ** 2))


def peaking_gain_db(frequency_hz, centre_hz, gain_db, q):
    """Peaking band of the Audio EQ Cookbook: its analogue prototype."""
    s, a = 1j * np.asarray(frequency_hz) / centre_hz, 10 ** (gain_db / 40)
    return 20 * np.log10(np.abs((s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1)))


def test_a_bypass_reads_the_instruments_floor_to_the_last_bit():
    results = bench_at_level(bypass("bus"), -6.0, RATE_HZ)
    assert results.measured == results.floor
    assert max(max(row) for row in results.floor.thdn_pct) < 1e-5
    assert results.floor.latency_frames == 0
    assert np.abs(results.floor.gain_db).max() < 1e-9


@pytest.mark.parametrize("depth_db", [1.0, 3.0, 6.0])
def test_a_hard_clip_reads_its_fourier_series_within_0_05_db(depth_db):
    settings = {"ceiling": LevelExpression("peak", -depth_db), "oversample": 16}
    results = bench_at_level(chain(("clip", settings)), -6.0, RATE_HZ)
    loudest = [row[-1] for row in results.measured.thd_pct]
    compared = 0
    for frequency_hz, thd_pct in zip(results.frequencies_hz, loudest, strict=True):
        if frequency_hz > 20_000 / 3:
            continue
        expected = closed_form_thd_pct(10 ** (-depth_db / 20), frequency_hz)
        assert 20 * np.log10(thd_pct / expected) == pytest.approx(0, abs=0.05), frequency_hz
        compared += 1
    assert compared == 9


def test_the_notch_reads_a_clip_as_much_lower_as_it_takes_from_the_harmonics():
    """AES17 notch at Q 2.1: |H(n f)| = x / sqrt(1 + x^2), x = Q (n - 1/n); 0.14 dB at the third."""
    settings = {"ceiling": LevelExpression("peak", -6.0), "oversample": 16}
    measured = bench_at_level(chain(("clip", settings)), -6.0, RATE_HZ).measured
    r, odd = 10 ** (-6 / 20), range(3, 21, 2)
    x = [2.1 * (n - 1 / n) for n in odd]
    seen = sum(clip_harmonics(r, n) ** 2 * y * y / (1 + y * y) for n, y in zip(odd, x, strict=True))
    rest = sum(clip_harmonics(r, n) ** 2 for n in odd)
    expected = 100 * np.sqrt(seen / (rest + clip_harmonics(r, 1) ** 2))
    assert 20 * np.log10(measured.thdn_peak_notched_pct / expected) == pytest.approx(0, abs=0.02)
    assert measured.thdn_peak_notched_pct < measured.thdn_peak_pct


def test_tones_below_a_clips_ceiling_read_the_floor():
    settings = {"ceiling": LevelExpression("peak", -3.0)}
    results = bench_at_level(chain(("clip", settings)), -6.0, RATE_HZ)
    for measured, floor in zip(results.measured.thdn_pct, results.floor.thdn_pct, strict=True):
        for level, one, other in zip(results.levels_dbfs, measured, floor, strict=True):
            if level < -9.1:
                assert one == other


def test_an_equaliser_reads_its_analogue_curve_within_0_01_db():
    settings = {"shape": "peak", "frequency": 1500.0, "gain": 7.5, "q": 3.0}
    results = bench_at_level(chain(("eq", settings)), -6.0, RATE_HZ)
    expected = peaking_gain_db(results.response_frequencies_hz, 1500.0, 7.5, 3.0)
    np.testing.assert_allclose(results.measured.gain_db, expected, atol=0.01)
    assert results.measured.latency_frames == 0


def test_an_echo_of_10_ms_at_full_mix_is_a_latency_of_441_frames_and_changes_nothing_else():
    results = bench_at_level(chain(("echo", {"time": 10.0, "mix": 100.0})), -6.0, RATE_HZ)
    assert results.measured.latency_frames == 441
    assert results.measured.thdn_pct == results.floor.thdn_pct
    assert results.measured.imd == results.floor.imd


def test_an_echo_beside_the_dry_sound_is_no_latency_and_a_comb_in_the_response():
    results = bench_at_level(chain(("echo", {"time": 10.0, "mix": 50.0})), -6.0, RATE_HZ)
    assert results.measured.latency_frames == 0
    turn = np.exp(-2j * np.pi * np.array(results.response_frequencies_hz) * 0.01)
    comb_db = 20 * np.log10(np.abs(0.5 + 0.5 * turn))
    measured = np.array(results.measured.gain_db)
    shown = comb_db > -60
    np.testing.assert_allclose(measured[shown], comb_db[shown], atol=0.01)


def test_sound_that_comes_after_the_tones_settled_is_said_in_a_note():
    results = bench_at_level(chain(("echo", {"time": 3000.0, "mix": 50.0})), -6.0, RATE_HZ)
    (note,) = results.notes
    assert "-3.0 dB" in note and "1 s" in note


def test_the_response_is_read_where_nothing_is_turned_down():
    settings = {"threshold": -50.0, "ratio": 4.0, "knee": 0.0}
    results = bench_at_level(chain(("compress", settings)), -6.0, RATE_HZ)
    assert results.measured.response_level_dbfs <= -70
    assert np.abs(results.measured.gain_db).max() < 0.001


def test_a_gain_ahead_of_a_clip_lowers_the_level_the_response_is_read_at():
    stages = ("gain", {"gain": 40.0}), ("clip", {"ceiling": -6.0})
    results = bench_at_level(chain(*stages), -6.0, RATE_HZ)
    np.testing.assert_allclose(results.measured.gain_db, 40.0, atol=0.001)
    assert results.measured.response_level_dbfs + 40 < -6


def test_a_process_linear_nowhere_has_no_response_but_a_reason():
    def always_full(samples):
        return np.sign(samples)

    response = measure_response(always_full, RATE_HZ, -36.0)
    assert response.response_level_dbfs is None and response.latency_frames is None
    assert "depends on level" in response.undefined["gain_db"]
    assert set(response.gain_db) == {None}


def test_what_a_cut_takes_away_entirely_has_no_gain_but_a_reason():
    settings = {"shape": "low_cut", "frequency": 2000.0, "slope": 48.0}
    results = bench_at_level(chain(("eq", settings)), -6.0, RATE_HZ)
    assert results.measured.gain_db[0] is None
    assert "100 dB below" in results.measured.undefined["gain_db"]
    shown = [gain for gain in results.measured.gain_db if gain is not None]
    assert min(shown) >= max(shown) - 100


def test_the_response_goes_through_1_khz_and_ends_at_20_khz_or_below_half_the_rate():
    for rate_hz, end_hz in ((44_100, 20_000), (16_000, 7_840)):
        frequencies = np.array(response_frequencies_hz(rate_hz))
        assert frequencies[0] == pytest.approx(20, abs=0.1)
        assert frequencies[-1] == pytest.approx(end_hz, abs=0.1)
        assert np.abs(frequencies - 1000).min() < 0.1
        assert (np.diff(frequencies) > 0).all()


def test_relative_levels_are_resolved_on_a_sine_of_the_level_and_frozen():
    clip = {"ceiling": LevelExpression("peak", -3.0)}
    compress = {"threshold": LevelExpression("rms", 6.0)}
    results = bench_at_level(
        chain(("compress", compress | {"ratio": 1.0}), ("clip", clip)), -6.0, RATE_HZ
    )
    first, second = results.stages
    # the RMS of a sine is 3.01 dB below its peak
    assert first.settings["threshold"] == "-3.01 dBFS" and first.relative == {
        "threshold": "rms + 6 dB"
    }
    assert second.settings["ceiling"] == "-9 dBFS" and second.relative == {"ceiling": "peak - 3 dB"}
    assert "997 Hz sine of -6 dBFS" in results.levels_from


def test_a_programme_gives_peak_levels_and_the_weighting():
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((1, RATE_HZ)).astype(np.float32)
    noise *= np.float32(0.5) / np.abs(noise).max()
    settings = {"ceiling": LevelExpression("peak", -6.0)}
    results = bench_on_programme(chain(("clip", settings)), noise, RATE_HZ, programme="hiss.wav")
    assert results.peak_dbfs == pytest.approx(20 * np.log10(0.5), abs=1e-4)
    assert results.stages[0].settings["ceiling"] == "-12.02 dBFS"
    assert results.floor.thdn_steady_pct < 1e-5 < results.measured.thdn_steady_pct
    assert results.levels_from == "the programme hiss.wav"


def test_ridden_tones_see_the_compressor_that_feeds_a_clip():
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    bursts = np.where(time_s % 0.5 < 0.2, 0.5, 0.025) * np.sin(2 * np.pi * 2000 * time_s)
    compress = {"threshold": -26.0, "ratio": 4.0, "attack": 20.0, "knee": 0.0}
    stages = (("compress", compress), ("clip", {"ceiling": -15.0}))
    results = bench_on_programme(
        chain(*stages), bursts[None].astype(np.float32), RATE_HZ, programme="bursts.wav"
    )
    measured, floor = results.measured, results.floor
    assert measured.thdn_ridden_pct > max(4, 10 * measured.thdn_steady_pct)
    assert measured.thdn_programme_pct == measured.thdn_ridden_pct
    assert floor.thdn_ridden_pct < 1e-4 and floor.thdn_programme_pct == floor.thdn_steady_pct


def test_mono_programmes_play_on_both_sides():
    mono = 0.25 * np.sin(2 * np.pi * 997 * np.arange(RATE_HZ) / RATE_HZ)[None].astype(np.float32)
    loud = chain(("gain", {"gain": LevelExpression("loudness", 0.0)}))
    once = bench_on_programme(loud, mono, RATE_HZ, programme="a")
    twice = bench_on_programme(loud, mono.repeat(2, axis=0), RATE_HZ, programme="a")
    assert once == twice


def test_noise_of_known_power_is_read_beside_the_tone_and_without():
    rms = 1e-4
    rng = np.random.default_rng(3)

    def noisy(samples):
        return (samples + rms * rng.standard_normal(samples.shape)).astype(np.float32)

    # white noise: the share of its power from 20 Hz to 20 kHz, re a full-scale sine's RMS
    expected = 20 * np.log10(rms * np.sqrt(2)) + 10 * np.log10((20_000 - 20) / (RATE_HZ / 2))
    noise = measure_noise(noisy, RATE_HZ)
    # 59 000 bins: 0.018 dB standard deviation
    assert noise.noise_dbfs == pytest.approx(expected, abs=0.1)
    assert noise.idle_noise_dbfs == pytest.approx(expected, abs=0.1)


def test_every_missing_reading_has_its_reason():
    for rate_hz in (8_000, 16_000):
        results = bench_at_level(bypass("bus"), -6.0, rate_hz)
        for record in (results.measured, results.measured.imd):
            for field in dataclasses.fields(record):
                if getattr(record, field.name) is None:
                    assert record.undefined[field.name]


def test_levels_rates_and_programmes_that_give_no_test_are_refused():
    with pytest.raises(SignalError, match="dBFS is allowed"):
        bench_at_level(bypass("bus"), 60.0, RATE_HZ)
    with pytest.raises(SignalError, match="kHz"):
        bench_at_level(bypass("bus"), -6.0, 44)
    with pytest.raises(SignalError, match="silent"):
        silence = np.zeros((2, 100), dtype=np.float32)
        bench_on_programme(bypass("bus"), silence, RATE_HZ, programme="nothing.wav")
    high = {"shape": "peak", "frequency": 30_000.0}
    with pytest.raises(ChainFileError, match="at most 20000 Hz"):
        bench_at_level(chain(("eq", high)), -6.0, RATE_HZ)
    with pytest.raises(RenderError, match="stage 1"):
        far = {"ceiling": LevelExpression("peak", 80.0)}
        bench_at_level(chain(("clip", far)), -6.0, RATE_HZ)
