"""The limiter: ceiling, null, time, link, edges, and its kernel against its twin."""

import numpy as np
import pytest

from chainweigh.audio.array import from_db, to_db
from chainweigh.effects.clip import EFFECT as CLIP
from chainweigh.effects.limit import EFFECT
from chainweigh.kernels import native_library
from chainweigh.kernels.limit import (
    GainShape,
    apply_knots,
    apply_knots_twin,
    limit,
    limit_twin,
    needs_check,
    trim_true_peaks,
)
from chainweigh.kernels.true_peak import true_peak_envelope
from chainweigh.measure.true_peak import true_peak, true_peak_dbtp

RATES_HZ = (44100, 48000, 88200, 96000, 176400, 192000)


def _noise(n_channels, n_frames, seed=1):
    rng = np.random.default_rng(seed)
    return (0.3 * rng.standard_normal((n_channels, n_frames))).astype(np.float32)


def _signals():
    """Noise, walks, pulses, square waves and bursts of many lengths."""
    rng = np.random.default_rng(11)
    for trial in range(40):
        n = int(rng.integers(1, 9000))
        samples = rng.standard_normal((int(rng.integers(1, 3)), n)) * rng.uniform(0.1, 2)
        if trial % 5 == 1:
            samples = 0.2 * np.cumsum(samples, axis=1)
        elif trial % 5 == 2:
            samples *= rng.uniform(size=n) < 0.01
        elif trial % 5 == 3:
            samples = np.sign(np.sin(np.arange(n) * rng.uniform(0.01, 2)))[None]
        elif trial % 5 == 4:
            samples *= np.sin(np.arange(n) / 300) ** 8
        yield samples.astype(np.float32)


@pytest.mark.parametrize("lookahead", [0.0, 0.05, 1.0, 5.0, 20.0])
@pytest.mark.parametrize(
    ("link", "moves"),
    [
        (0.0, {}),
        (40.0, {"attack": 30.0, "hold": 3.0}),
        (100.0, {"attack": 0.0, "release_kind": "programme"}),
    ],
)
def test_no_true_peak_passes_the_ceiling_by_more_than_0_01_db(run, lookahead, link, moves):
    for samples in _signals():
        settings = {"ceiling": -6.0, "lookahead": lookahead, "link": link, "release": 30.0}
        out = run(EFFECT, samples, **settings, **moves)
        assert true_peak(out, 44100) <= from_db(-6.0 + 0.01)
        assert np.abs(out).max() <= from_db(-6.0) * (1 + 1e-6)


@pytest.mark.parametrize("lookahead", [0.0, 0.05, 5.0, 20.0])
def test_the_gain_is_never_above_what_a_frame_allows_nor_above_one(run, lookahead):
    """g[n] <= c / |x[n]| for all n: the defining property of a peak limiter."""
    ceiling = float(np.float32(from_db(-6.0)))
    for samples in _signals():
        out = run(EFFECT, samples, ceiling=-6.0, lookahead=lookahead, true_peak=False)
        assert np.abs(out).max() <= ceiling
        assert (np.abs(out) <= np.abs(samples)).all()
        assert (out * samples >= 0).all()


@pytest.mark.parametrize("true_peak_on", [False, True])
def test_what_needs_no_reduction_is_bit_identical(run, true_peak_on):
    samples = _noise(2, 20000)
    ceiling_dbfs = to_db(true_peak(samples, 44100)) + 0.01
    out = run(EFFECT, samples, ceiling=ceiling_dbfs, true_peak=true_peak_on)
    assert out.tobytes() == samples.tobytes()


def test_a_single_peak_leaves_everything_outside_look_ahead_and_release_untouched(run):
    samples = 0.01 * _noise(1, 60000)
    samples[0, 20000] = 1.0
    settings = {"ceiling": -6.0, "lookahead": 5.0, "release": 20.0, "true_peak": False}
    changed = np.flatnonzero(run(EFFECT, samples, **settings)[0] != samples[0])
    look_frames = round(0.005 * 44100)
    fade_frames = 0.020 * 44100 * np.log(0.5 / 2**-20)
    assert 20000 - look_frames - 8 <= changed[0] < 20000 - look_frames / 2
    assert changed[-1] <= 20000 + fade_frames + look_frames + 136  # it ends in groups of 128


def test_the_peak_comes_out_at_the_ceiling_at_its_own_time(run):
    samples = np.zeros((1, 20000), np.float32)
    samples[0, 9000] = 1.0
    out = run(EFFECT, samples, ceiling=-6.0)
    assert np.flatnonzero(out[0]).tolist() == [9000]
    assert to_db(float(out[0, 9000])) == pytest.approx(-6.0, abs=0.003)


def test_the_reduction_falls_to_37_percent_in_the_release_time(run):
    """exp(-1), the usual definition of a time constant (Giannoulis et al. 2012)."""
    samples = np.full((1, 60000), 0.25, np.float32)
    samples[0, 20000] = 1.0
    settings = {"ceiling": -6.0206, "lookahead": 1.0, "release": 100.0, "true_peak": False}
    reduction = 1 - run(EFFECT, samples, **settings)[0] / samples[0]
    early, later = reduction[21000], reduction[21000 + 4410]
    assert reduction[20000] == pytest.approx(0.5, abs=1e-4)
    assert later / early == pytest.approx(np.exp(-1), rel=1e-3)


def _reduction_around_a_peak(run, n_frames=1, **changed):
    """Reduction 1 - gain, by frame, around a peak at frame 20000 that needs a gain of one half."""
    samples = np.full((1, 60000 + n_frames), 0.25, np.float32)
    samples[0, 20000 : 20000 + n_frames] = 1.0
    settings = {"ceiling": to_db(0.5), "true_peak": False} | changed
    return 1 - run(EFFECT, samples, **settings)[0] / samples[0]


@pytest.mark.parametrize("attack", [25.0, 50.0, 100.0])
def test_the_gain_is_down_after_its_share_of_the_look_ahead(run, attack):
    """The step response of a triangle is 1 - 2 (1 - t)^2 past its middle, so it passes 1 - 1/e,
    the attack time of Giannoulis et al. 2012, at t = 1 - sqrt(1 / 2e) = 0.571 of its length.
    """
    reduction = _reduction_around_a_peak(run, lookahead=20.0, attack=attack)
    look_frames = 0.020 * 44100
    starts = np.flatnonzero(reduction > 0)[0]
    passes = np.flatnonzero(reduction >= 0.5 * (1 - np.exp(-1)))[0]
    arrives = np.flatnonzero(reduction >= 0.4999)[0]
    attack_frames = attack / 100 * look_frames
    assert starts == pytest.approx(20000 - look_frames, abs=8)
    assert passes - starts == pytest.approx((1 - np.sqrt(0.5 / np.e)) * attack_frames, abs=6)
    assert arrives - starts == pytest.approx(attack_frames, abs=12)
    assert (reduction[arrives:20001] >= 0.4999).all()


def test_without_attack_the_gain_drops_at_once_a_look_ahead_before_the_peak(run):
    reduction = _reduction_around_a_peak(run, lookahead=1.0, attack=0.0)
    assert not reduction[: 20000 - 44].any()
    np.testing.assert_allclose(reduction[20000 - 44 : 20001], 0.5, atol=1e-6)


@pytest.mark.parametrize("lookahead", [0.0, 5.0])
@pytest.mark.parametrize("hold", [0.0, 10.0, 200.0])
def test_the_gain_stays_down_for_the_hold_and_then_releases(run, hold, lookahead):
    reduction = _reduction_around_a_peak(run, lookahead=lookahead, hold=hold, release=50.0)
    ends = 20000 + round(hold * 44.1)
    late = round(lookahead * 44.1)  # the triangle that smooths the fall ends it later
    np.testing.assert_allclose(reduction[20000 : ends - 8], 0.5, atol=1e-4)
    assert reduction[ends + late + 100] < 0.49
    fallen = reduction[ends + late + 100 + 2205] / reduction[ends + late + 100]
    assert fallen == pytest.approx(np.exp(-1), rel=1e-3)


def test_a_programme_release_is_quick_after_a_peak_and_slow_after_long_reduction(run):
    """The running average of a reduction d that stood long, then falls as exp(-t / T), solved:
    d exp(-t / S) + d / (1 - S / T) * (exp(-t / T) - exp(-t / S)) with S = 10 T.
    """
    settings = {"lookahead": 0.0, "release": 20.0, "release_kind": "programme"}
    brief = _reduction_around_a_peak(run, **settings)
    long = _reduction_around_a_peak(run, n_frames=100000, **settings)
    after = round(0.1 * 44100)
    assert brief[20000 + after] < 0.2 * 0.5
    late, slow = 0.1 / 0.020, 0.1 / 0.200
    fed = (np.exp(-late) - np.exp(-slow)) / (1 - 10)
    assert long[119999 + after] == pytest.approx(0.5 * (np.exp(-slow) + fed), rel=2e-3)


def test_a_programme_release_never_reduces_less_than_a_fixed_one(run):
    for samples in _signals():
        outs = [
            run(EFFECT, samples, ceiling=-12.0, release_kind=kind, true_peak=False)
            for kind in ("fixed", "programme")
        ]
        assert (np.abs(outs[1]) <= np.abs(outs[0]) * (1 + 1e-6)).all()


def test_with_all_times_at_zero_it_is_the_clip_without_oversampling(run):
    settings = {"ceiling": -9.0, "lookahead": 0.0, "hold": 0.0, "release": 0.0, "link": 0.0}
    for samples in _signals():
        limited = run(EFFECT, samples, true_peak=False, **settings)
        clipped = run(CLIP, samples, ceiling=-9.0, oversample=1)
        tolerance = 3e-7 * (1 + np.abs(samples).max())
        np.testing.assert_allclose(limited, clipped, atol=tolerance)


def test_without_look_ahead_the_gain_drops_on_the_frame_itself(run):
    samples = np.full((1, 3000), 0.25, np.float32)
    samples[0, 1000] = 1.0
    out = run(EFFECT, samples, ceiling=-6.0, lookahead=0.0, true_peak=False)[0]
    assert out[:1000].tobytes() == samples[0, :1000].tobytes()
    assert to_db(float(out[1000])) == pytest.approx(-6.0, abs=1e-4)
    assert 0.125 < out[1001] < 0.126


def test_dual_mono_equals_mono_bit_for_bit_at_any_link(run):
    assert EFFECT.sides_alike
    for link in (0.0, 30.0, 100.0):
        for true_peak_on in (False, True):
            for samples in (_noise(1, 9000), 10 * _noise(1, 9000)):
                settings = {"ceiling": -12.0, "link": link, "true_peak": true_peak_on}
                mono = run(EFFECT, samples, **settings)
                dual = run(EFFECT, np.tile(samples, (2, 1)), **settings)
                assert dual[0].tobytes() == dual[1].tobytes() == mono[0].tobytes()


def test_link_decides_how_far_the_quiet_side_follows(run):
    frames = np.arange(44100)
    loud = np.sin(2 * np.pi * 200 * frames / 44100)
    samples = np.array([loud, 0.25 * loud], dtype=np.float32)
    quiet = {
        link: run(EFFECT, samples, ceiling=-6.0206, link=link)[1] for link in (0.0, 50.0, 100.0)
    }
    inside = slice(10000, 30000)
    assert quiet[0.0].tobytes() == samples[1].tobytes()
    gain = {link: np.ptp(out[inside]) / np.ptp(samples[1, inside]) for link, out in quiet.items()}
    assert gain[100.0] == pytest.approx(0.5, abs=1e-3)
    assert gain[50.0] == pytest.approx(0.75, abs=1e-3)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("gain", [100.0, 1e-41])
@pytest.mark.parametrize("lookahead", [0.0, 20.0])
def test_huge_and_denormal_signals_stay_finite_and_below_the_ceiling(run, rate_hz, gain, lookahead):
    samples = (gain * _noise(2, 3000)).astype(np.float32)
    out = run(EFFECT, samples, rate_hz, ceiling=-6.0, lookahead=lookahead)
    assert np.isfinite(out).all()
    assert true_peak(out, rate_hz) <= from_db(-5.99)


def test_a_file_that_ends_loud_keeps_the_ceiling_while_it_rings_out(run):
    samples = np.full((1, 3000), 0.9, np.float32)
    samples[0, ::2] *= -1
    for piece in (samples, np.abs(samples)):
        out = run(EFFECT, piece, ceiling=-6.0)
        assert true_peak_dbtp(out, 44100) <= -6.0 + 0.01


@pytest.mark.parametrize("n_frames", [0, 1, 31, 1024, 5000])
@pytest.mark.parametrize("lookahead", [0.0, 5.0])
def test_silence_stays_silence_of_the_same_length(run, n_frames, lookahead):
    silence = np.zeros((2, n_frames), np.float32)
    out = run(EFFECT, silence, ceiling=-20.0, lookahead=lookahead)
    assert out.tobytes() == silence.tobytes()
    assert EFFECT.tail_frames(44100, {}) == 0


def test_the_input_is_left_untouched_and_the_result_repeats(run):
    samples = _noise(2, 30000)
    before = samples.tobytes()
    first = run(EFFECT, samples, ceiling=-12.0)
    assert samples.tobytes() == before
    assert first.tobytes() == run(EFFECT, samples, ceiling=-12.0).tobytes()


def test_what_comes_before_moves_nothing_but_the_start(run):
    """Silence in front, a multiple of the steps the gain is worked in, only shifts the output."""
    samples = _noise(2, 20000)
    late = np.pad(samples, ((0, 0), (4096, 0)))
    out, shifted = run(EFFECT, samples, ceiling=-9.0), run(EFFECT, late, ceiling=-9.0)
    np.testing.assert_allclose(shifted[:, 4096:], out, atol=1e-6)


@pytest.mark.skipif(not native_library.compiled, reason="no compiled kernels")
@pytest.mark.parametrize(
    "shape",
    [
        *(GainShape(n, n, 0, 0.9995) for n in (1, 2, 3, 45, 64, 221, 882, 7681)),
        GainShape(1, 1),
        GainShape(1, 1, 300, 0.99, 0.999),
        GainShape(221, 1, 0, 0.0),
        GainShape(221, 88, 441, 0.999, 0.9999),
        GainShape(45, 20, 9000, 0.9, 0.99),
    ],
)
@pytest.mark.parametrize("link", [0.0, 0.4, 1.0])
def test_the_kernel_equals_its_twin_within_a_millionth(shape, link):
    for samples in _signals():
        envelope = true_peak_envelope(samples, floor=0.5)
        ours, gains = limit(samples, envelope, ceiling=0.5, link=link, shape=shape)
        theirs, their_gains = limit_twin(samples, envelope, ceiling=0.5, link=link, shape=shape)
        tolerance = 1e-6 * (1 + np.abs(samples).max())
        np.testing.assert_allclose(ours, theirs, atol=tolerance)
        whole = slice(0, samples.shape[1] // 32)  # the last block's rest is not compared
        np.testing.assert_allclose(gains[:, whole], their_gains[:, whole], atol=2e-6)


def _covering_signals():
    """Decays, hits over a low note and steady tones: one peak's release covers much of the next."""
    rng = np.random.default_rng(21)
    frames = np.arange(30000)
    for time_frames in (300.0, 3000.0, 30000.0):
        hits = np.exp(-(frames % 7000) / time_frames)
        yield np.array([hits * np.sin(0.01 * frames), hits * rng.standard_normal(len(frames))])
        yield hits[None] * (1 + 1e-4 * rng.standard_normal((2, len(frames))))
        yield np.sin(frames * 450.0 / time_frames)[None]


@pytest.mark.skipif(not native_library.compiled, reason="no compiled kernels")
@pytest.mark.parametrize(
    "shape",
    [
        GainShape(221, 221, 0, 0.99972),
        GainShape(221, 88, 441, 0.999),
        GainShape(45, 20, 0, 0.99, 0.9999),
        GainShape(1, 1, 100, 0.9),
        GainShape(221, 221),
    ],
)
@pytest.mark.parametrize("link", [0.0, 0.4, 1.0])
def test_true_peaks_that_a_release_covers_are_spared_without_changing_a_bit(shape, link):
    for samples in (*_signals(), *_covering_signals()):
        samples = samples.astype(np.float32)
        whole = true_peak_envelope(samples, floor=0.3)
        full, moves = limit(samples, whole, ceiling=0.3, link=link, shape=shape)
        spared, same_moves = limit(samples, None, ceiling=0.3, link=link, shape=shape)
        assert spared.tobytes() == full.tobytes()
        assert same_moves.tobytes() == moves.tobytes()


@pytest.mark.skipif(not native_library.compiled, reason="no compiled kernels")
def test_the_trim_kernel_equals_its_twin():
    rng = np.random.default_rng(4)
    for n_frames in (1, 40, 3000):
        channel = _noise(1, n_frames)[0]
        knots = rng.uniform(0, 0.1, -(-n_frames // 32) + 5).astype(np.float32)
        knots[rng.uniform(size=len(knots)) < 0.5] = 0
        twin = channel.copy()
        apply_knots(channel, knots)
        apply_knots_twin(twin, knots)
        np.testing.assert_array_equal(channel, twin)


def test_a_gain_that_stands_still_needs_no_check_and_one_that_moves_does():
    moves = np.tile(np.float32([0.5, 0.0]), (1, 100, 1))
    assert not needs_check(moves).any()
    moves[0, 40, 1] = 0.01 / 32
    assert np.flatnonzero(needs_check(moves)).tolist() == [40, 41, 42, 43, 44]


def test_the_trim_leaves_what_holds_alone():
    samples = _noise(2, 5000)
    ceiling = 1.001 * true_peak(samples, 44100)
    trimmed = samples.copy()
    trim_true_peaks(trimmed, ceiling=ceiling, link=1.0)
    assert trimmed.tobytes() == samples.tobytes()
