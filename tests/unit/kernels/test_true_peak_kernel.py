"""The compiled true peak against its twins; the twins do all the work, without pruning."""

import numpy as np
import pytest

from chainweigh.kernels import native_library
from chainweigh.kernels.halfband import (
    BENDING,
    METERING,
    block_peaks,
    block_peaks_twin,
    bound_of,
    interpolate,
    oversampling_bound,
    parabola_bound,
    parabola_bound_of,
    phase_filters,
)
from chainweigh.kernels.true_peak import (
    N_PHASES,
    N_STAGES,
    block_true_peaks,
    interpolated,
    interpolated_peak,
    interpolated_peak_twin,
    table,
    table_peak,
    table_peak_twin,
    true_peak_envelope,
    true_peak_envelope_twin,
)

needs_native = pytest.mark.skipif(not native_library.compiled, reason="no compiled kernels")


def _signals():
    """Noise, walks, sines, bursts and steps of many lengths and levels."""
    rng = np.random.default_rng(1770)
    for trial in range(120):
        n = int(rng.integers(1, 2500))
        noise = rng.standard_normal((int(rng.integers(1, 3)), n))
        kind = trial % 6
        if kind == 1:
            noise = np.cumsum(noise, axis=1)
        elif kind == 2:
            noise = np.sin(np.arange(n) * rng.uniform(0.001, np.pi) + rng.uniform(0, 6))[None]
        elif kind == 3:
            noise = noise * (rng.uniform(size=n) < 0.01)
        elif kind == 4:
            noise = np.sign(noise)
        elif kind == 5:
            noise = np.diff(noise, n=2, axis=1, append=0, prepend=0)
        yield (noise * 10.0 ** rng.uniform(-42, 2)).astype(np.float32)


@needs_native
def test_pruned_peaks_equal_the_full_computation_bit_for_bit():
    for samples in _signals():
        assert interpolated_peak(samples) == interpolated_peak_twin(samples)
        assert table_peak(samples) == table_peak_twin(samples)


@needs_native
def test_the_envelope_equals_its_twin_at_any_floor():
    for share, samples in zip(np.tile([0.0, 0.5, 0.9, 1.1], 30), _signals(), strict=True):
        floor = share * interpolated_peak_twin(samples)[0]
        envelope = true_peak_envelope(samples, floor=floor)
        assert np.array_equal(envelope, true_peak_envelope_twin(samples, floor=floor))


@needs_native
def test_blocks_looked_at_alone_read_as_among_all():
    rng = np.random.default_rng(12)
    for samples in _signals():
        floor = 0.7 * interpolated_peak(samples)[0]
        for channel in samples:
            whole = block_true_peaks(channel, floor=floor)
            within = rng.uniform(size=len(whole)) < 0.2
            part = block_true_peaks(channel, floor=floor, within=within)
            over = np.where(within & (whole > floor), whole, 0)
            assert np.array_equal(np.where(part > floor, part, 0), over)
            assert not part[~within].any()


@needs_native
def test_block_peaks_equal_their_twin():
    for samples in _signals():
        for channel in samples:
            blocks, twin = block_peaks(channel), block_peaks_twin(channel)
            assert np.array_equal(blocks.peaks, twin.peaks)
            assert np.array_equal(blocks.bends, twin.bends)


def test_no_block_exceeds_its_bound():
    for samples in _signals():
        for channel in samples:
            bounds = oversampling_bound(METERING, N_STAGES).of(block_peaks_twin(channel))
            whole = np.zeros(len(bounds) * 32 * N_PHASES, np.float32)
            fine = interpolated(channel)
            whole[: len(fine)] = np.abs(fine)
            assert (whole.reshape(len(bounds), -1).max(axis=1) <= bounds).all()


def _parabola_tops(signal):
    """Largest magnitude of each interval's parabola, looked for at 64 places, from the first on."""
    before, start, end, after = (signal[k : len(signal) - 3 + k] for k in range(4))
    place = np.linspace(0, 1, 65)[:, None]
    bend = place * (place - 1) / 4 * (before - start - end + after)
    return np.abs(start + place * (end - start) + bend).max(axis=0)


@pytest.mark.parametrize(
    ("cascade", "n_stages", "order"),
    [(METERING, N_STAGES, 2), (METERING.later, N_STAGES - 1, 3)],
    ids=["at the rate", "at twice the rate"],
)
def test_no_interpolation_exceeds_its_parabola_by_more_than_its_bound(cascade, n_stages, order):
    bound, reach = parabola_bound(cascade, n_stages, order), 64
    for samples in _signals():
        signal = np.pad(samples[0].astype(np.float64), 2 * reach)
        fine = np.abs(interpolate(signal, n_stages, cascade)).reshape(len(signal), -1).max(axis=1)
        differences = np.pad(np.abs(np.diff(signal, order)), reach)
        near = np.lib.stride_tricks.sliding_window_view(differences, 2 * reach)
        rest = [bound.largest * near.max(axis=1), bound.energy * np.sqrt((near**2).sum(axis=1))]
        allowed = bound.level * _parabola_tops(signal) + np.minimum(*rest)[1 : len(signal) - 2]
        inner = slice(reach, -reach)
        rounding = 1e-6 * np.abs(signal).max()
        assert (fine[1:-2][inner] <= allowed[inner] + rounding).all()


def test_an_interpolation_by_parabolas_leaves_nothing_to_its_differences():
    place = np.arange(8)[:, None] / 8
    bend = place * (place - 1) / 4
    parabolas = np.hstack([0 * bend, bend, 1 - place - bend, place - bend, bend])
    for order in (2, 3):
        bound = parabola_bound_of(parabolas, order)
        assert bound.level == pytest.approx(1.0, abs=1e-12)
        assert bound.largest == pytest.approx(0.0, abs=1e-12)


def test_the_bound_of_a_linear_interpolation_needs_no_second_difference():
    filters = np.zeros((1, 9))
    filters[0, 4:6] = 0.25, 0.75
    bound = bound_of(filters)
    assert bound.level == pytest.approx(1.0, abs=1e-12)
    assert sum(bound.bends) == pytest.approx(0.0, abs=1e-12)


def test_phase_zero_is_the_input_and_every_phase_reproduces_a_straight_line():
    filters = phase_filters(METERING, N_STAGES)
    at = np.arange(filters.shape[1]) - filters.shape[1] // 2
    assert np.array_equal(filters[0], (at == 0).astype(float))
    np.testing.assert_allclose(filters.sum(axis=1), 1.0, atol=3e-7)
    np.testing.assert_allclose(filters @ -at, np.arange(N_PHASES) / N_PHASES, atol=3e-6)


@pytest.mark.parametrize(
    ("cascade", "edge_hz", "ripple_db", "images_db"),
    [(BENDING, 20_000, 3e-4, -96), (METERING, 21_000, 1e-3, -80)],
    ids=["bending", "metering"],
)
def test_the_first_stage_passes_the_band_and_stops_images_at_44_1_khz(
    cascade, edge_hz, ripple_db, images_db
):
    taps = cascade.taps[0].astype(np.float64)
    distance = np.arange(len(taps)) + 0.5

    def gain(frequency_hz):
        turns = np.outer(np.atleast_1d(frequency_hz) / 44100, distance)
        return 0.5 * (1 + 2 * np.cos(2 * np.pi * turns) @ taps)

    passed_db = 20 * np.log10(gain(np.linspace(0, edge_hz, 500)))
    stopped_db = 20 * np.log10(np.abs(gain(np.linspace(44_100 - edge_hz, 44_100, 500))))
    assert np.abs(passed_db).max() < ripple_db
    assert stopped_db.max() < images_db


def test_the_table_is_that_of_annex_2():
    """Sums of its phases and symmetry: ITU-R BS.1770-5 Annex 2, derived from the printed table."""
    np.testing.assert_allclose(table().sum(axis=1)[:2], [1.001587, 0.973022], atol=1e-6)
    assert np.array_equal(table()[3], table()[0][::-1])
    assert np.array_equal(table()[2], table()[1][::-1])


def test_the_envelope_of_a_frame_covers_both_its_sides_and_the_ends_ringing():
    samples = np.zeros((1, 200), np.float32)
    samples[0, [100, 101]] = 1.0
    envelope = true_peak_envelope(samples, floor=0.5)[0]
    assert np.flatnonzero(envelope).tolist() == [99, 100, 101, 102]
    assert envelope[100] == envelope[101] > 1.2
    edge = np.ones((1, 100), np.float32)
    assert true_peak_envelope(edge, floor=0.0)[0, -1] == interpolated_peak(edge)[0]


def test_no_frames_and_silence_have_no_peak():
    for n_frames in (0, 1, 5000):
        assert interpolated_peak(np.zeros((2, n_frames), np.float32)) == (0.0, 0.0)
        assert table_peak(np.zeros((2, n_frames), np.float32)) == (0.0, 0.0)
