"""A candidate held against its reference: matched in delay and loudness, then measured."""

import dataclasses

import numpy as np
import pyebur128
import pytest
from scipy.signal import butter, sosfilt

from chainweigh.errors import SignalError
from chainweigh.measure.comparison import measure_against

RATE_HZ = 44_100


def programme(n_channels=2, seconds=4, seed=5):
    """Coloured noise in bursts of uneven level."""
    rng = np.random.default_rng(seed)
    n_frames = seconds * RATE_HZ
    levels = np.repeat(rng.uniform(0.1, 1.0, seconds * 5), RATE_HZ // 5)
    noise = rng.standard_normal((n_channels, n_frames + 8))
    smooth = sum(noise[:, k : k + n_frames] for k in range(8))
    return (0.05 * levels * smooth).astype(np.float32)


def against(reference, candidate):
    return measure_against(reference, candidate, sample_rate_hz=RATE_HZ)


def every_none_has_a_reason(record):
    for field in dataclasses.fields(record):
        value = getattr(record, field.name)
        if dataclasses.is_dataclass(value):
            every_none_has_a_reason(value)
        elif value is None:
            assert record.undefined[field.name], field.name
        elif isinstance(value, float):
            assert np.isfinite(value), field.name
    return True


def integrated_lufs(samples):
    state = pyebur128.R128State(len(samples), RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples.T).ravel(), samples.shape[1])
    return pyebur128.get_loudness_global(state)


def test_identical_files_differ_in_nothing():
    reference = programme()
    pair = against(reference, reference.copy())
    assert pair.match_gain_db == 0 and pair.shift_frames == 0
    assert pair.delay_ms == pytest.approx(0, abs=1e-6)
    assert pair.gain.loudness_gain_lu == pytest.approx(0, abs=1e-9)
    assert "identical but for gain and tone" in pair.residual.undefined["sdr_db"]
    assert pair.residual.gain_movement_db == pytest.approx(0, abs=1e-3)
    assert pair.audibility.disturbed_pct == 0
    assert every_none_has_a_reason(pair)


@pytest.mark.parametrize("gain_db", [-12.0, 0.37, 6.0])
def test_a_gain_is_found_and_nothing_else(gain_db):
    reference = programme()
    pair = against(reference, np.float32(10 ** (gain_db / 20)) * reference)
    assert pair.match_gain_db == pytest.approx(-gain_db, abs=2e-5)
    assert pair.gain.loudness_gain_lu == pytest.approx(0, abs=1e-4)
    assert "identical but for gain and tone" in pair.residual.undefined["sdr_db"]


@pytest.mark.parametrize("delay_frames", [-1000, 1, 4410])
def test_a_delay_is_found_and_nothing_else(delay_frames):
    reference = programme()
    candidate = np.zeros_like(reference)
    if delay_frames > 0:
        candidate[:, delay_frames:] = reference[:, :-delay_frames]
    else:
        candidate[:, :delay_frames] = reference[:, -delay_frames:]
    pair = against(reference, candidate)
    assert pair.shift_frames == delay_frames
    assert pair.delay_ms == pytest.approx(1000 * delay_frames / RATE_HZ, abs=1e-3)
    assert pair.n_frames == reference.shape[1] - abs(delay_frames)
    assert pair.match_gain_db == 0
    assert "identical but for gain and tone" in pair.residual.undefined["sdr_db"]


def test_the_gain_makes_an_outside_meter_read_the_same():
    reference = programme()
    candidate = np.clip(1.7 * reference, -0.3, 0.3).astype(np.float32)
    gain_db = against(reference, candidate).match_gain_db
    matched = np.float32(10 ** (gain_db / 20)) * candidate
    assert integrated_lufs(matched) == pytest.approx(integrated_lufs(reference), abs=2e-3)


def test_added_noise_is_the_residual():
    reference = programme()
    noise = np.random.default_rng(1).standard_normal(reference.shape)
    noise *= 0.01 * np.sqrt(np.mean(np.square(reference, dtype=np.float64)))
    pair = against(reference, (reference + noise).astype(np.float32))
    # 1 % in amplitude is 40 dB down; gains that follow 200 ms take a little of it away.
    assert pair.residual.residual_pct == pytest.approx(1.0, abs=0.02)
    assert pair.residual.sdr_db == pytest.approx(40.0, abs=0.2)


def test_deeper_clipping_gains_more_and_is_heard_more():
    reference = programme()
    peak = float(np.abs(reference).max())
    light, deep = (
        against(reference, np.clip(reference, -depth * peak, depth * peak)) for depth in (0.7, 0.3)
    )
    assert 2 < light.gain.loudness_gain_lu < deep.gain.loudness_gain_lu
    assert light.residual.sdr_db > deep.residual.sdr_db
    assert light.audibility.nmr_mean_db < deep.audibility.nmr_mean_db


def test_a_boost_in_the_bass_is_flagged_where_it_is():
    reference = programme()
    low = sosfilt(butter(2, [55, 72], "bandpass", fs=RATE_HZ, output="sos"), reference)
    pair = against(reference, (reference + low).astype(np.float32))
    # +6.02 dB at the centre, where the band-pass is in phase (butter's gain there is 1).
    at_63 = pair.spectrum.change_db[5]
    assert pair.spectrum.centres_hz[5] == pytest.approx(63.1, abs=0.01)
    assert 4 < at_63 < 6.1
    assert pair.spectrum.centres_hz[5] in pair.spectrum.flagged_hz
    assert all(40 < hz < 100 for hz in pair.spectrum.flagged_hz)


def test_one_side_turned_over_is_lost_when_folded_down():
    reference = programme(n_channels=1).repeat(2, axis=0) + np.float32(0.2) * programme(seed=8)
    candidate = np.ascontiguousarray(reference * np.array([[1], [-1]], np.float32))
    image = against(reference, candidate).image
    assert image.candidate.correlation == pytest.approx(-image.reference.correlation, abs=1e-6)
    assert image.fold_down_flagged


def test_softened_hits_lose_punch():
    rng = np.random.default_rng(2)
    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    hits = np.exp(-(time_s % 0.5) / 0.05) * rng.standard_normal((2, len(time_s)))
    # 6.02 dB off the first 20 ms of each hit: the attack's window of 10 ms lies within.
    ducked = hits * np.where(time_s % 0.5 < 0.02, 0.5, 1.0)
    pair = against((0.1 * hits).astype(np.float32), (0.1 * ducked).astype(np.float32))
    assert pair.punch.punch_change_db == pytest.approx(-6.02 + pair.match_gain_db, abs=0.3)
    assert pair.punch.n_hits == 3


@pytest.mark.parametrize("silent", ["reference", "candidate", "both"])
def test_silence_has_reasons_in_place_of_numbers(silent):
    sound, silence = programme(seconds=2), np.zeros((2, 2 * RATE_HZ), np.float32)
    reference = sound if silent == "candidate" else silence
    pair = against(reference, sound if silent == "reference" else silence)
    assert pair.match_gain_db is None
    side = "candidate" if silent == "candidate" else "reference"
    said = f"the {side}: digital silence; compared at their own levels"
    assert pair.undefined["match_gain_db"] == said
    assert pair.undefined["delay_ms"] == "no single delay stands out"
    assert every_none_has_a_reason(pair)


@pytest.mark.parametrize("n_frames", [1, 2, 64, 17_595])
def test_signals_shorter_than_400_ms_are_compared_at_their_own_levels(n_frames):
    reference = programme(seconds=1)[:, :n_frames].copy()
    pair = against(reference, np.float32(0.5) * reference)
    assert pair.undefined["match_gain_db"].startswith(
        "the reference: shorter than one window of 400 ms"
    )
    assert every_none_has_a_reason(pair)


def test_a_constant_is_compared_as_any_signal_is():
    constant = np.full((1, 2 * RATE_HZ), 0.25, np.float32)
    pair = against(constant, np.float32(0.5) * constant)
    assert pair.match_gain_db == pytest.approx(20 * np.log10(2), abs=2e-5)
    assert every_none_has_a_reason(pair)


def test_the_reference_and_candidate_are_not_written_to():
    reference = programme(seconds=1)
    candidate = np.float32(0.5) * reference
    before = reference.copy(), candidate.copy()
    against(reference, candidate)
    assert np.array_equal(before[0], reference) and np.array_equal(before[1], candidate)


@pytest.mark.parametrize("delay_frames", [0, 441, -30_000])
def test_writing_over_both_changes_no_figure(delay_frames):
    reference = programme(seconds=3)
    candidate = np.roll(np.clip(reference, -0.2, 0.2), delay_frames, axis=1)
    kept = against(reference, candidate)
    assert abs(kept.shift_frames) == abs(delay_frames)
    spent = measure_against(
        reference.copy(), candidate.copy(), sample_rate_hz=RATE_HZ, overwrite=True
    )
    assert spent == kept


def test_a_pair_without_frames_is_refused():
    with pytest.raises(SignalError, match="at least one is needed"):
        against(np.zeros((2, 0), np.float32), np.zeros((2, 0), np.float32))


def test_a_pair_of_two_lengths_is_refused():
    reference = programme(seconds=1)
    with pytest.raises(SignalError, match="reference has shape"):
        against(reference, reference[:, 1:].copy())
