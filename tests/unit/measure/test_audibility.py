"""Audibility on synthetic programmes: what must pass, what must fail, and how it is counted."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.signal import lfilter

from chainweigh.errors import SignalError
from chainweigh.measure.audibility import measure_audibility, reference_masks
from chainweigh.measure.frames import loudest_spans
from chainweigh.measure.residual import fit_reference

RATE = 44_100
ONSETS_S = tuple(np.arange(0, 8, 0.5))


def planar(rows):
    return np.ascontiguousarray(np.atleast_2d(rows), dtype=np.float32)


def programme(seconds=8.0, seed=1):
    """Dark stereo noise with a decaying hit every half second over a quieter bed."""
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE)
    white = rng.standard_normal((2, n))
    white[1] = 0.7 * white[0] + 0.3 * white[1]
    dark = lfilter([0.05], [1, -0.98], white) + 0.02 * white
    hits = 0.2 + np.exp(-8 * ((np.arange(n) / RATE) % 0.5))
    return planar(0.5 * dark * hits)


@pytest.fixture(scope="module")
def reference():
    return programme()


def peaking(samples, frequency_hz, gain_db):
    """Peaking equaliser after the RBJ audio EQ cookbook, Q = 1."""
    a, w0 = 10 ** (gain_db / 40), 2 * np.pi * frequency_hz / RATE
    alpha = np.sin(w0) / 2
    b = [1 + alpha * a, -2 * np.cos(w0), 1 - alpha * a]
    return planar(lfilter(b, [1 + alpha / a, -2 * np.cos(w0), 1 - alpha / a], samples))


def compressed(samples, ratio, attack_s, release_s, reduction_db):
    """Feed-forward peak compressor whose 95th percentile of reduction is reduction_db."""
    keep = np.exp(-1 / (RATE * np.array([attack_s, release_s])))
    level, envelope = 0.0, np.empty(samples.shape[1])
    for frame, peak in enumerate(np.abs(samples).max(axis=0).tolist()):
        share = keep[0] if peak > level else keep[1]
        level = share * level + (1 - share) * peak
        envelope[frame] = level
    level_db = 20 * np.log10(envelope + 1e-6)
    slope = 1 - 1 / ratio
    over_db = np.maximum(level_db - np.percentile(level_db, 95) + reduction_db / slope, 0)
    return planar(samples * 10 ** (-slope * over_db / 20))


def clipped(samples, depth_db):
    limit = np.float32(np.abs(samples).max() * 10 ** (-depth_db / 20))
    return np.clip(samples, -limit, limit)


def judge(reference, candidate, **options):
    fitted = fit_reference(reference, candidate, sample_rate_hz=RATE)
    options = {"onsets_s": ONSETS_S} | options
    result = measure_audibility(fitted.samples, candidate, sample_rate_hz=RATE, **options)
    return result, fitted.gain_movement_db


def inside_budget(result, movement_db):
    """The default budget: 1 % disturbed, 5 % of onsets, 3 dB of gain movement."""
    return result.disturbed_pct <= 1 and result.disturbed_onsets_pct <= 5 and movement_db <= 3


@pytest.mark.parametrize(
    "process",
    [
        pytest.param(lambda x: planar(0.5 * x), id="gain"),
        pytest.param(lambda x: planar(np.pad(x, ((0, 0), (31, 0)))[:, :-31]), id="delay"),
        *[
            pytest.param(lambda x, f=f, g=g: peaking(x, f, g), id=f"{g:+} dB at {f} Hz")
            for f in (60, 1000, 8000)
            for g in (6, -6)
        ],
        pytest.param(lambda x: compressed(x, 2, 0.01, 0.1, 2.0), id="2:1 bus compressor"),
    ],
)
def test_what_is_no_distortion_stays_inside_the_budget(reference, process):
    assert inside_budget(*judge(reference, process(reference)))


def exact_loop():
    """Eight seconds of one 2 s bar: kicks of four strengths, noise hats, four chords."""
    rng = np.random.default_rng(6)
    t = np.arange(RATE // 2) / RATE
    kick = 0.6 * np.sin(2 * np.pi * 48 * t - 5 * np.expm1(-30 * t)) * np.exp(-7 * t)
    bar = []
    for strength, root_hz in ((1.0, 220), (0.6, 262), (0.85, 294), (0.5, 196)):
        hat = rng.standard_normal(len(t)) * np.exp(-40 * np.abs(t - 0.25))
        chord = sum(np.sin(2 * np.pi * root_hz * k * t) / k for k in (1, 1.26, 1.5, 5, 8.4))
        bed = 0.03 * chord * np.sin(2 * np.pi * t) ** 2
        beat = strength * kick + 0.05 * lfilter([1, -0.9], [1], hat) + bed
        bar.append([beat, beat + 0.2 * bed])
    return planar(np.tile(np.concatenate(bar, axis=1), 4))


def test_a_bus_compressor_on_an_exact_loop_stays_inside_the_budget():
    """A long filter could learn the loop by heart and smear what it does not need to explain."""
    loop = exact_loop()
    assert inside_budget(*judge(loop, compressed(loop, 2, 0.01, 0.1, 2.0)))


def test_a_limiter_that_pumps_by_10_db_is_over_the_budget(reference):
    pumping = compressed(reference, 20, 0.001, 0.15, 10.0)
    result, movement_db = judge(reference, pumping)
    assert movement_db > 3
    assert result.disturbed_pct > 1


def test_a_hard_clip_of_12_db_is_over_the_budget(reference):
    result, _ = judge(reference, clipped(reference, 12))
    assert result.disturbed_pct > 1
    assert result.disturbed_onsets_pct > 5


def test_deeper_clipping_never_lowers_the_mean_ratio():
    depths_db = (1, 2, 3, 4, 6, 8, 12, 20)
    song = programme(4.0)
    means = [judge(song, clipped(song, d))[0].nmr_mean_db for d in depths_db]
    assert np.diff(means).min() > -0.1


def test_identity_reads_the_floor_and_names_no_moment(reference):
    result, _ = judge(reference, reference)
    assert result.nmr_mean_db < -100
    assert result.nmr_worst_db < -100
    assert result.disturbed_pct == result.disturbed_onsets_pct == 0
    assert result.worst_moments_s == ()


def with_crackle(samples, at_s):
    """A 2 kHz burst of 60 ms at each moment."""
    t = np.arange(round(0.06 * RATE)) / RATE
    burst = 0.3 * np.sin(2 * np.pi * 2000 * t) * np.hanning(len(t))
    out = samples.copy()
    for moment in at_s:
        first = round(moment * RATE)
        out[:, first : first + len(t)] += burst.astype(np.float32)
    return out


def test_the_worst_moments_are_where_the_damage_is(reference):
    moments = (1.26, 3.76, 6.26)
    damaged = with_crackle(reference, moments)
    result = measure_audibility(reference, damaged, sample_rate_hz=RATE)
    assert sorted(result.worst_moments_s) == pytest.approx(np.array(moments) + 0.03, abs=0.05)


def test_onsets_count_when_their_first_50_ms_are_disturbed(reference):
    damaged = with_crackle(reference, (1.0, 2.0))
    result = measure_audibility(
        reference, damaged, sample_rate_hz=RATE, onsets_s=(1.0, 2.0, 3.0, 4.0)
    )
    assert result.disturbed_onsets_pct == 50


def test_without_onsets_the_reason_is_given(reference):
    result = measure_audibility(reference, reference, sample_rate_hz=RATE)
    assert result.undefined == {"disturbed_onsets_pct": "no onsets were given"}
    result = measure_audibility(reference, reference, sample_rate_hz=RATE, onsets_s=(99.0,))
    assert result.undefined == {"disturbed_onsets_pct": "no onset lies in an active frame"}


def test_the_share_is_that_of_the_worst_10_seconds():
    """5 s of damage: half of its worst 10 s, a sixth of the song."""
    song = programme(30.0)
    damaged = with_crackle(song, np.arange(12.0, 17.0, 0.03))
    result = measure_audibility(song, damaged, sample_rate_hz=RATE)
    assert result.disturbed_pct == pytest.approx(50, abs=1.5)


def test_only_the_spans_asked_for_are_judged(reference):
    damaged = with_crackle(reference, (1.0,))
    clean = measure_audibility(reference, damaged, sample_rate_hz=RATE, spans=[(3.0, 6.0)])
    hit = measure_audibility(reference, damaged, sample_rate_hz=RATE, spans=[(3, 6), (0.5, 2)])
    assert clean.worst_moments_s == ()
    assert hit.worst_moments_s[0] == pytest.approx(1.03, abs=0.05)


@pytest.mark.parametrize("name, sign", [("left", None), ("right", None), ("mid", 1), ("side", -1)])
def test_the_worst_of_left_right_mid_and_side_is_named(name, sign):
    """Damage where it is least masked: in one channel, or in what the channels share."""
    base = programme(3.0)[:1]
    other = programme(3.0, seed=9)[:1]
    noise = 0.02 * np.random.default_rng(4).standard_normal(base.shape)
    zero = np.zeros_like(base)
    reference, added = {
        "left": ((0.05 * base, base), (noise, zero)),
        "right": ((base, 0.05 * base), (zero, noise)),
        "mid": ((base + 0.05 * other, -base + 0.05 * other), (noise, noise)),
        "side": ((base + 0.05 * other, base - 0.05 * other), (noise, -noise)),
    }[name]
    reference = planar(np.vstack(reference))
    candidate = planar(reference + np.vstack(added))
    result = measure_audibility(reference, candidate, sample_rate_hz=RATE)
    assert result.worst_signal == name


def test_mono_is_judged_as_one_signal(reference):
    mono = reference[:1].copy()
    both = planar(np.vstack([mono, mono]))
    alone = measure_audibility(mono, clipped(mono, 10), sample_rate_hz=RATE)
    twin = measure_audibility(both, clipped(both, 10), sample_rate_hz=RATE)
    assert alone.worst_signal == "mono"
    assert alone.nmr_mean_db == pytest.approx(twin.nmr_mean_db, abs=0.01)


@pytest.mark.parametrize("depth_db", [0, 10])
def test_two_channels_that_are_the_same_read_as_four_signals_would(reference, depth_db):
    """Masks made beforehand are of left, right, mid and side, whatever the channels hold."""
    both = planar(np.vstack([reference[:1]] * 2))
    damaged = clipped(both, depth_db)
    masks = reference_masks(both, sample_rate_hz=RATE)
    quick = measure_audibility(both, damaged, sample_rate_hz=RATE)
    assert quick == measure_audibility(both, damaged, sample_rate_hz=RATE, masks=masks)
    assert quick.worst_signal == ("left" if depth_db else "side")  # of no noise at all


def test_masks_made_beforehand_give_the_same_figures(reference):
    damaged = clipped(reference, 8)
    spans = ((1.0, 4.0), (5.0, 8.0))
    masks = reference_masks(reference, sample_rate_hz=RATE, spans=spans)
    fresh = measure_audibility(reference, damaged, sample_rate_hz=RATE, spans=spans)
    reused = measure_audibility(reference, damaged, sample_rate_hz=RATE, masks=masks)
    assert reused == fresh


def test_masks_for_something_else_are_refused(reference):
    masks = reference_masks(reference, sample_rate_hz=RATE, spans=[(1.0, 2.0)])
    with pytest.raises(SignalError, match="another rate, spans, hop or level"):
        measure_audibility(
            reference, reference, sample_rate_hz=RATE, spans=[(1.0, 3.0)], masks=masks
        )


def test_louder_playback_uncovers_what_the_ears_own_noise_hid(reference):
    faint = planar(0.003 * reference)
    hiss = planar(faint + 1e-5 * np.random.default_rng(3).standard_normal(faint.shape))
    soft, loud = (
        measure_audibility(faint, hiss, sample_rate_hz=RATE, full_scale_db_spl=level)
        for level in (80.0, 105.0)
    )
    assert loud.nmr_mean_db > soft.nmr_mean_db + 3


def test_quiet_frames_do_not_count():
    song = programme(4.0)
    song[:, 2 * RATE :] *= np.float32(1e-5)
    half = measure_audibility(song, song, sample_rate_hz=RATE)
    whole = measure_audibility(programme(4.0), programme(4.0), sample_rate_hz=RATE)
    assert half.n_active_frames == pytest.approx(whole.n_active_frames / 2, abs=10)


def test_noise_in_a_pause_counts():
    song = programme(4.0)
    song[:, 2 * RATE :] = 0
    noisy = song.copy()
    noisy[:, 2 * RATE :] = 0.05 * programme(2.0, seed=5)
    result = measure_audibility(song, noisy, sample_rate_hz=RATE)
    assert result.disturbed_pct > 40


def test_silence_and_short_signals_are_undefined_with_a_reason(reference):
    silence = np.zeros_like(reference)
    short = reference[:, :2047].copy()
    quiet = measure_audibility(silence, silence, sample_rate_hz=RATE)
    brief = measure_audibility(short, short, sample_rate_hz=RATE)
    assert quiet.nmr_mean_db is brief.nmr_mean_db is brief.disturbed_pct is None
    assert quiet.undefined["nmr_mean_db"] == "no frame is louder than -70 LUFS"
    assert brief.undefined["nmr_mean_db"] == "shorter than one frame"


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_a_tone_reads_alike_at_every_rate(rate):
    """1 kHz and its third harmonic at -40 dB: 14.2192 dB at 48 kHz (see the conformance tests)."""
    t = np.arange(rate) / rate
    tone = 0.5 * np.sin(2 * np.pi * 1000 * t)
    third = planar(tone + 0.005 * np.sin(2 * np.pi * 3000 * t))
    result = measure_audibility(planar(tone), third, sample_rate_hz=rate)
    assert result.nmr_mean_db == pytest.approx(14.22, abs=0.5)


def test_the_loudest_spans_do_not_overlap():
    energies = np.full(6000, 0.01)
    energies[1500:2500] = 1.0
    energies[4200:4300] = 5.0
    spans = loudest_spans(energies)
    assert spans[0] == (15.0, 25.0)
    assert spans[1][0] <= 42.0 and spans[1][1] >= 43.0
    ordered = sorted(spans)
    assert len(spans) == 3
    assert all(a[1] <= b[0] for a, b in pairwise(ordered))


def test_a_song_shorter_than_a_span_is_one_span():
    assert loudest_spans(np.ones(420)) == ((0.0, 4.2),)
    assert len(loudest_spans(np.ones(2500))) == 2
    assert loudest_spans(np.zeros(0)) == ()


def test_bad_input_is_refused(reference):
    broken = reference.copy()
    broken[1, 7] = np.inf
    with pytest.raises(SignalError, match="shape"):
        measure_audibility(reference, reference[:, :-1].copy(), sample_rate_hz=RATE)
    with pytest.raises(SignalError, match="sample 7 of channel 1"):
        measure_audibility(reference, broken, sample_rate_hz=RATE)
    with pytest.raises(SignalError, match="span 7 to 12 s; 0 to 8 s"):
        measure_audibility(reference, reference, sample_rate_hz=RATE, spans=[(7.0, 12.0)])
    with pytest.raises(SignalError, match="hop is 0"):
        measure_audibility(reference, reference, sample_rate_hz=RATE, hop_frames=0)
    with pytest.raises(SignalError, match="finite"):
        loudest_spans(np.array([1.0, np.nan]))
