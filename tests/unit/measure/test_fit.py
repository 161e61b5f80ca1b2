"""The static linear fit against signals whose filter is known, and against numpy's lstsq."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from chainweigh.errors import SignalError
from chainweigh.measure.fit import fit_linear
from chainweigh.measure.fit_side import fit_side
from chainweigh.measure.linear_fit import LinearFit, apply_fit
from chainweigh.measure.normal_equations import NormalEquations

RATE = 44_100


def planar(rows):
    return np.ascontiguousarray(np.atleast_2d(rows), dtype=np.float32)


def programme(seconds=6.0, seed=1):
    """Stereo noise, darker than white, with decaying hits twice a second, loud at both ends."""
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE)
    white = rng.standard_normal((2, n))
    white[1] = 0.7 * white[0] + 0.3 * white[1]
    dark = lfilter([0.05], [1, -0.98], white) + 0.02 * white
    hits = 0.2 + np.exp(-8 * ((np.arange(n) / RATE) % 0.5))
    return planar(0.2 * dark * hits)


def peaking(samples, frequency_hz, gain_db, q=1.0):
    """Peaking equaliser after the RBJ audio EQ cookbook."""
    a, w0 = 10 ** (gain_db / 40), 2 * np.pi * frequency_hz / RATE
    alpha = np.sin(w0) / (2 * q)
    b = [1 + alpha * a, -2 * np.cos(w0), 1 - alpha * a]
    return planar(lfilter(b, [1 + alpha / a, -2 * np.cos(w0), 1 - alpha / a], samples))


def late(samples, n_frames):
    return np.pad(samples, ((0, 0), (n_frames, 0)))[:, : samples.shape[1]].copy()


def late_by_fraction(samples, delay_frames):
    """Band-limited delay by a phase ramp (closed form)."""
    size = 2 * samples.shape[1]
    spectrum = np.fft.rfft(samples, size)
    ramp = np.exp(-2j * np.pi * np.arange(spectrum.shape[1]) * delay_frames / size)
    return planar(np.fft.irfft(spectrum * ramp, size)[:, : samples.shape[1]])


def inner_residual_db(fit, reference, candidate, edge=9000):
    """Residual where no sample from outside the excerpt is needed."""
    error = (candidate - apply_fit(fit, reference)).astype(np.float64)[:, edge:-edge]
    kept = candidate.astype(np.float64)[:, edge:-edge]
    return 10 * np.log10(np.sum(error**2) / np.sum(kept**2) + 1e-30)


def test_a_gain_needs_one_tap():
    reference = programme()
    fit = fit_linear(reference, planar(-0.5 * reference), sample_rate_hz=RATE)
    assert (fit.n_taps, fit.first_lag_frames) == (1, 0)
    assert fit.taps[0] == pytest.approx(-0.5, abs=1e-9)
    assert fit.residual_db < -140


@pytest.mark.parametrize("n_frames", [1, 37, 5000])
def test_a_whole_sample_delay_is_absorbed_though_the_excerpt_has_loud_ends(n_frames):
    reference = programme()
    candidate = late(reference, n_frames)
    fit = fit_linear(reference, candidate, sample_rate_hz=RATE)
    assert inner_residual_db(fit, reference, candidate) < -100


def test_a_fractional_delay_is_absorbed():
    reference = late_by_fraction(programme(), 0.0)
    candidate = late_by_fraction(reference, 12.3)
    fit = fit_linear(reference, candidate, sample_rate_hz=RATE)
    assert inner_residual_db(fit, reference, candidate) < -55


@pytest.mark.parametrize("frequency_hz", [60, 250, 1000, 8000])
@pytest.mark.parametrize("gain_db", [6.0, -6.0])
def test_an_equaliser_of_6_db_is_absorbed(frequency_hz, gain_db):
    reference = programme()
    candidate = peaking(reference, frequency_hz, gain_db)
    fit = fit_linear(reference, candidate, sample_rate_hz=RATE)
    assert fit.residual_db < -100
    assert inner_residual_db(fit, reference, candidate) < -100


def test_the_filter_is_no_longer_than_the_equaliser_needs():
    reference = programme()
    high = fit_linear(reference, peaking(reference, 8000, 6.0), sample_rate_hz=RATE)
    low = fit_linear(reference, peaking(reference, 100, 6.0), sample_rate_hz=RATE)
    assert high.n_taps <= 129 < low.n_taps


def test_unrelated_noise_is_left_unexplained_by_one_tap():
    reference = programme(8.0)
    noise = programme(8.0, seed=7)
    fit = fit_linear(reference, planar(reference + 0.1 * noise), sample_rate_hz=RATE)
    expected_db = 10 * np.log10(0.01 * np.sum(noise**2.0) / np.sum((reference + 0.1 * noise) ** 2))
    assert fit.n_taps == 1
    assert fit.residual_db == pytest.approx(expected_db, abs=0.05)


def test_a_quiet_treble_shelf_is_found_beside_louder_distortion():
    reference = programme()
    rough = np.clip(peaking(reference, 9000, 6.0, q=0.7), -0.1, 0.1)
    fit = fit_linear(reference, planar(rough), sample_rate_hz=RATE)
    at_hz = np.array([500.0, 9000.0])
    phase = np.exp(-2j * np.pi * np.outer(at_hz / RATE, np.arange(fit.n_taps)))
    low, high = np.abs(phase @ fit.taps)
    assert 20 * np.log10(high / low) == pytest.approx(6.0, abs=1.0)


def drum_loop():
    """Kick, snare and hat, each hit of a kind the same to the sample."""
    rng = np.random.default_rng(5)
    time_s = np.arange(RATE // 4) / RATE
    kick = 0.5 * np.sin(2 * np.pi * 50 * time_s) * np.exp(-8 * time_s)
    hat = 0.1 * rng.standard_normal(len(time_s)) * np.exp(-60 * time_s)
    tone = 0.3 * np.sin(2 * np.pi * 180 * time_s)
    snare = (tone + 0.2 * rng.standard_normal(len(time_s))) * np.exp(-20 * time_s)
    return planar(np.tile(np.concatenate([kick + hat, hat, snare, hat]), 8))


@pytest.mark.parametrize("make", [programme, drum_loop])
@pytest.mark.parametrize("depth_db", [2, 6, 12])
def test_a_clip_is_explained_by_one_tap_even_where_every_hit_is_the_same(make, depth_db):
    reference = make()
    ceiling = np.abs(reference).max() * 10 ** (-depth_db / 20)
    candidate = np.clip(reference, -ceiling, ceiling)
    fit = fit_linear(reference, candidate, sample_rate_hz=RATE)
    assert (fit.n_taps, fit.first_lag_frames) == (1, 0)
    # Bussgang: the best gain is the correlation of the two over the reference's energy.
    gain = float(np.sum(reference.astype(float) * candidate) / np.sum(reference.astype(float) ** 2))
    assert fit.taps[0] == pytest.approx(gain, rel=1e-6)


def test_an_equaliser_before_a_clip_is_still_found():
    reference = programme()
    toned = peaking(reference, 250, 6.0)
    ceiling = 0.5 * float(np.abs(toned).max())
    fit = fit_linear(reference, np.clip(toned, -ceiling, ceiling), sample_rate_hz=RATE)
    at = np.array([250.0, 4000.0])
    lags = fit.first_lag_frames + np.arange(fit.n_taps)
    response = np.exp(-2j * np.pi * np.outer(at / RATE, lags)) @ fit.taps
    change_db = 20 * np.log10(abs(response[0] / response[1]))
    # the cookbook's bell: 6 dB at its centre, nothing four octaves above (0.03 dB)
    assert change_db == pytest.approx(6.0, abs=0.5)


def chords(seconds=6.0):
    """Four chords of eight partials each and nothing else: next to no treble."""
    rng = np.random.default_rng(1)
    time_s = np.arange(round(seconds * RATE)) / RATE
    out = np.zeros(len(time_s))
    for bar, root_hz in enumerate((110, 131, 147, 98)):
        edge_s = np.minimum(time_s - bar * seconds / 4, (bar + 1) * seconds / 4 - time_s)
        swell = np.sin(np.pi / 2 * np.clip(edge_s / 0.1, 0, 1)) ** 2
        for k in range(1, 9):
            phase = 2 * np.pi * root_hz * k * time_s + rng.uniform(0, 6)
            out += swell * 0.2 / k**2 * np.sin(phase)
    return planar([out, out])


def test_chords_that_are_turned_down_on_every_beat_need_one_tap():
    """What the whitener makes of cut-off errors must not pass for a filter's merit."""
    reference = chords()
    since_beat_s = np.arange(reference.shape[1]) / RATE % 0.5
    pumped = planar(reference * 10 ** (-6 * np.exp(-since_beat_s / 0.15) / 20))
    assert fit_linear(reference, pumped, sample_rate_hz=RATE).n_taps == 1


@pytest.mark.parametrize("n_taps", [1, 33, 129])
def test_what_a_whitener_clicks_at_bare_cuts_is_not_counted(n_taps):
    """Against scipy.signal.lfilter on the frames that neither filter nor whitener is cut off at.

    A gain alone would else look worse than longer filters, which leave more frames out.
    """
    swell = 1 + 0.3 * np.sin(2 * np.pi * np.arange(6 * RATE) / RATE)
    reference = chords()[:, 20_000:-20_000].copy()
    candidate = planar(reference * swell[20_000:-20_000])
    side = fit_side(reference, RATE)
    equations = NormalEquations(candidate, RATE, side)
    fit, whitened = equations.solve(n_taps)
    whitener, reach = side.whitener, equations.reach(fit.first_lag_frames, n_taps)
    error = candidate - apply_fit(fit, reference).astype(np.float64)
    inner = lfilter(whitener, 1, error)[:, reach + len(whitener) - 1 : -reach]
    share = equations.inner_share(fit.first_lag_frames, n_taps)
    assert whitened * share == pytest.approx(np.sum(inner**2), rel=1e-3)


def rounded_otherwise(values, rng):
    """Every value one unit in the last place up, down or as it is."""
    return values * (1 + np.finfo(float).eps * rng.choice([-1, 0, 1], len(values)))


@pytest.mark.parametrize("n_taps", [513, 2049, 8193])
def test_a_filter_longer_than_chords_can_tell_does_not_hang_on_the_last_bit(n_taps):
    """On next to no treble the least ridge gives taps up to 800, or none, as rounding has it.

    Truth: the cookbook's bell of 6 dB, whose largest tap is 1.05. Where chords cannot tell, the
    ridge decides, and makes taps smaller.
    """
    reference = chords()
    side = fit_side(reference, RATE)
    equations = NormalEquations(peaking(reference, 1000, 6.0), RATE, side)
    xx, xy, rng = side.lags, equations.xy, np.random.default_rng(2)
    for _ in range(3):
        fit, _ = equations.solve(n_taps)
        assert np.abs(fit.taps).max() < 1.1
        assert fit.residual_db < -100
        half = rounded_otherwise(xx[: equations.zero_lag + 1], rng)
        equations.side = replace(side, lags=np.concatenate([half, half[-2::-1]]))
        equations.xy = rounded_otherwise(xy, rng)


def test_taps_match_plain_least_squares_on_the_inner_frames():
    """Truth: numpy.linalg.lstsq on the explicit matrix of delayed copies."""
    rng = np.random.default_rng(3)
    reference = planar(rng.standard_normal(6000))
    shape = 0.8 ** np.arange(12) * np.cos(np.arange(12))
    candidate = lfilter(shape, [1], reference) + 0.005 * rng.standard_normal(6000)
    candidate = planar(candidate)
    fit = fit_linear(reference, candidate, sample_rate_hz=RATE)
    last = fit.first_lag_frames + fit.n_taps - 1
    frames = np.arange(last, 6000 - last)
    lags = np.arange(fit.first_lag_frames, last + 1)
    matrix = reference[0].astype(np.float64)[frames[:, None] - lags[None, :]]
    expected, *_ = np.linalg.lstsq(matrix, candidate[0][frames].astype(np.float64), rcond=None)
    assert fit.n_taps == 33
    np.testing.assert_allclose(fit.taps, expected, atol=2e-5)


@pytest.mark.parametrize("first", [-7, 0, 4])
def test_applying_a_fit_is_convolution(first):
    """Truth: numpy.convolve."""
    rng = np.random.default_rng(5)
    taps = rng.standard_normal(21)
    reference = planar(rng.standard_normal((2, 40_000)))
    got = apply_fit(LinearFit(taps, first, None), reference)
    full = np.pad(np.convolve(reference[1], taps), (20, 20))
    expected = full[20 - first :][:40_000] if first <= 0 else full[20 - first : 40_020 - first]
    np.testing.assert_allclose(got[1], expected, atol=2e-6)


@pytest.mark.parametrize("n_taps", [1, 40])
@pytest.mark.parametrize("first", [-7000, -3, 0, 7000])  # the outer two: lags beyond some spans
def test_spans_of_a_fit_are_cut_from_the_whole_and_joined(first, n_taps):
    rng = np.random.default_rng(5)
    reference = rng.standard_normal((2, 20_000)).astype(np.float32)
    fit = LinearFit(rng.standard_normal(n_taps), first, None)
    whole, spans = apply_fit(fit, reference), [(0, 6000), (9000, 9001), (15_000, 20_000)]
    joined = np.concatenate([whole[:, start:stop] for start, stop in spans], axis=1)
    np.testing.assert_allclose(apply_fit(fit, reference, spans=spans), joined, atol=1e-6)


def test_both_channels_share_one_filter():
    reference = programme()
    candidate = reference.copy()
    candidate[1] *= 0.5
    fit = fit_linear(reference, candidate, sample_rate_hz=RATE)
    energy = np.sum(reference.astype(np.float64) ** 2, axis=1)
    expected = (energy[0] + 0.5 * energy[1]) / energy.sum()
    assert fit.taps.sum() == pytest.approx(expected, abs=0.02)


def test_spans_grow_with_the_rate():
    reference = programme(2.0)
    noise = programme(2.0, seed=2)
    low = peaking(reference, 60, 6.0) + 0.001 * noise
    counts = {
        rate: fit_linear(reference, planar(low), sample_rate_hz=rate).n_taps
        for rate in (48_000, 96_000)
    }
    assert counts[96_000] - 1 in {32 * 2, 128 * 2, 512 * 2, 2048 * 2, 8192 * 2}
    assert counts[48_000] - 1 in {32, 128, 512, 2048, 8192}


def test_silence_has_no_residual_but_a_reason():
    reference = programme(1.0)
    silence = np.zeros_like(reference)
    no_candidate = fit_linear(reference, silence, sample_rate_hz=RATE)
    no_reference = fit_linear(silence, reference, sample_rate_hz=RATE)
    assert no_candidate.residual_db is None
    assert no_candidate.undefined == {"residual_db": "the candidate is silent"}
    assert not apply_fit(no_candidate, reference).any()
    assert no_reference.undefined == {"residual_db": "the reference is silent"}


@pytest.mark.parametrize("n_frames", [1, 2, 3, 64, 1000])
def test_signals_of_a_few_samples_get_a_gain(n_frames):
    reference = planar(np.linspace(0.1, 0.4, n_frames))
    fit = fit_linear(reference, planar(0.25 * reference), sample_rate_hz=RATE)
    assert fit.taps == pytest.approx([0.25], abs=1e-6)


def test_a_bare_sine_and_a_constant_do_not_break_the_equations():
    sine = planar(0.5 * np.sin(2 * np.pi * 997 * np.arange(RATE * 2) / RATE))
    assert fit_linear(sine, late(sine, 7), sample_rate_hz=RATE).residual_db < -100
    constant = np.full((1, RATE), 0.3, dtype=np.float32)
    assert fit_linear(constant, planar(constant / 2), sample_rate_hz=RATE).residual_db < -100


def test_the_same_input_gives_the_same_bytes():
    reference = programme(2.0)
    candidate = peaking(reference, 500, 4.0)
    first, second = (fit_linear(reference, candidate, sample_rate_hz=RATE) for _ in range(2))
    assert first.taps.tobytes() == second.taps.tobytes()


def test_bad_input_is_refused():
    reference = programme(0.5)
    broken = reference.copy()
    broken[0, 3] = np.nan
    with pytest.raises(SignalError, match="shape"):
        fit_linear(reference, reference[:, 1:].copy(), sample_rate_hz=RATE)
    with pytest.raises(SignalError, match="sample 3 of channel 0"):
        fit_linear(reference, broken, sample_rate_hz=RATE)
    with pytest.raises(SignalError, match="kHz"):
        fit_linear(reference, reference, sample_rate_hz=44.1)
