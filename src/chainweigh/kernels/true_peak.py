"""Peaks between the samples, by 16x half-band interpolation or the BS.1770 table."""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native
from chainweigh.kernels.halfband import (
    BLOCK_FRAMES,
    LEAD_BLOCKS,
    MARGIN_FRAMES,
    METERING,
    Bound,
    block_peaks,
    bound_of,
    interpolate,
    oversampling_bound,
    parabola_bound,
)

Float32 = NDArray[np.float32]

N_STAGES = 4
N_PHASES = 2**N_STAGES
TABLE_PHASES = 4
TABLE_TAPS = 12
TABLE_AHEAD = 6  # frames the first tap looks ahead
_TABLE_PHASES_0_1 = """
0.0017089843750  0.0109863281250 -0.0196533203125  0.0332031250000
-0.0594482421875  0.1373291015625  0.9721679687500 -0.1022949218750
0.0476074218750 -0.0266113281250  0.0148925781250 -0.0083007812500
-0.0291748046875  0.0292968750000 -0.0517578125000  0.0891113281250
-0.1665039062500  0.4650878906250  0.7797851562500 -0.2003173828125
0.1015625000000 -0.0582275390625  0.0330810546875 -0.0189208984375
"""


@cache
def table() -> Float32:
    """ITU-R BS.1770-5 Annex 2: 4 phases of 12 taps, shape (4, 12)."""
    half = np.array(_TABLE_PHASES_0_1.split(), dtype=np.float32).reshape(2, TABLE_TAPS)
    return np.concatenate([half, half[::-1, ::-1]])


@cache
def _table_bound() -> Bound:
    centred = np.zeros((TABLE_PHASES, 2 * TABLE_AHEAD + 1))
    centred[:, 1:] = table()[:, ::-1]  # first tap weighs the frame 6 ahead
    return bound_of(centred)


def interpolated_peak(samples: Float32) -> tuple[float, float]:
    """Largest magnitude at 16x the rate over channels, and its time in frames.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), taken as silent before and after

    Returns
    -------
    Linear amplitude and the frame, in steps of 1/16, where it occurs first; (0.0, 0.0) in silence,
    (nan, nan) where a sample is not finite.
    """
    if not native.compiled:
        return interpolated_peak_twin(samples)
    return _search(
        samples,
        oversampling_bound(METERING, N_STAGES),
        N_PHASES,
        native.lib.cw_true_peak,
        meter_filters(),
    )


def meter_filters() -> tuple[object, ...]:
    """As the C kernels take them: taps, pairs, and the weights of the bounds on their result."""
    taps, pairs = METERING.flat
    return native.pointer(taps), native.pointer(pairs), native.pointer(_bound_weights())


@cache
def _bound_weights() -> Float32:
    of_blocks = oversampling_bound(METERING, N_STAGES)
    once = parabola_bound(METERING, N_STAGES, 2)
    twice = parabola_bound(METERING.later, N_STAGES - 1, 3)
    parabolas = np.array([once.level, once.energy, twice.level, twice.largest]) * (1 + 3e-5)
    return np.array([of_blocks.level, *of_blocks.bends, *parabolas], np.float32)


def table_peak(samples: Float32) -> tuple[float, float]:
    """The same by the BS.1770 table at 4x the rate."""
    if not native.compiled:
        return table_peak_twin(samples)
    taps = table()
    norm = 1.0001 * float(np.sqrt(np.square(taps).sum(axis=1).max()))  # and room for rounding
    filters = native.pointer(taps), norm
    return _search(samples, _table_bound(), TABLE_PHASES, native.lib.cw_table_peak, filters)


def _search(
    samples: Float32, bound: Bound, n_phases: int, search: object, filters: tuple[object, ...]
) -> tuple[float, float]:
    peak, position = np.zeros(1, np.float32), np.zeros(1, np.int64)
    for channel in samples:
        blocks = block_peaks(channel)
        if not np.isfinite(blocks.peaks.max(initial=0.0)):
            return float("nan"), float("nan")
        if not blocks.peaks.any():
            continue
        bounds = bound.of(blocks)
        search(  # type: ignore[operator]
            native.pointer(channel),
            len(channel),
            native.pointer(bounds),
            blocks.first,
            len(bounds),
            *filters,
            native.pointer(peak),
            native.pointer(position),
        )
    return float(peak[0]), float(position[0]) / n_phases


def interpolated_peak_twin(samples: Float32) -> tuple[float, float]:
    """Defines `interpolated_peak`: every phase of every frame, no pruning."""
    if not np.isfinite(samples).all():
        return float("nan"), float("nan")
    phases = [interpolated(channel) for channel in samples]
    return _first_peak(np.array(phases), N_PHASES)


def table_peak_twin(samples: Float32) -> tuple[float, float]:
    """Defines `table_peak`."""
    if not np.isfinite(samples).all():
        return float("nan"), float("nan")
    wide = np.pad(samples, ((0, 0), (MARGIN_FRAMES + TABLE_TAPS, MARGIN_FRAMES + TABLE_TAPS)))
    n = samples.shape[1] + 2 * MARGIN_FRAMES
    out = np.zeros((len(samples), n, TABLE_PHASES), np.float32)
    for phase, taps in enumerate(table()):
        for j, tap in enumerate(taps):
            start = TABLE_TAPS + TABLE_AHEAD - j
            out[:, :, phase] += tap * wide[:, start : start + n]
    return _first_peak(out.reshape(len(samples), -1), TABLE_PHASES)


def _first_peak(signals: Float32, n_phases: int) -> tuple[float, float]:
    levels = np.abs(signals).max(axis=0)
    at = int(levels.argmax())
    if levels[at] == 0:
        return 0.0, 0.0
    return float(levels[at]), at / n_phases - MARGIN_FRAMES


def interpolated(channel: Float32) -> Float32:
    """One channel at 16x its rate, from MARGIN_FRAMES before to MARGIN_FRAMES after it."""
    wide = np.pad(channel, 2 * MARGIN_FRAMES)
    cut = MARGIN_FRAMES * N_PHASES
    return np.asarray(interpolate(wide, N_STAGES, METERING)[cut:-cut], dtype=np.float32)


def true_peak_envelope(samples: Float32, *, floor: float) -> Float32:
    """Per frame the largest magnitude between its neighbours, at 16x the rate.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), taken as silent before and after
    floor : linear amplitude; the work is spared where nothing can exceed it

    Returns
    -------
    Shape of samples: the magnitude from one frame before to one after each frame where it exceeds
    floor, else 0. What rings past either end counts for the end's frame.
    """
    if not native.compiled:
        return true_peak_envelope_twin(samples, floor=floor)
    out = np.zeros_like(samples)
    for channel, row in zip(samples, out, strict=True):
        blocks = block_peaks(channel)
        bounds = oversampling_bound(METERING, N_STAGES).of(blocks)
        native.lib.cw_true_peak_envelope(
            native.pointer(channel),
            len(channel),
            native.pointer(bounds),
            blocks.first,
            len(bounds),
            *meter_filters(),
            floor,
            native.pointer(row),
        )
    return out


def true_peak_envelope_twin(samples: Float32, *, floor: float) -> Float32:
    """Defines `true_peak_envelope`."""
    out = np.zeros_like(samples)
    n_frames, lead = samples.shape[1], MARGIN_FRAMES
    for channel, row in zip(samples, out, strict=True):
        tops = np.abs(interpolated(channel)).reshape(-1, N_PHASES).max(axis=1)
        row[:] = np.maximum(tops[lead - 1 :][:n_frames], tops[lead:][:n_frames])
        if n_frames:
            row[0] = max(row[0], tops[:lead].max())
            row[-1] = max(row[-1], tops[lead + n_frames - 1 :].max())
    out[out <= np.float32(floor)] = 0
    return out


def block_true_peaks(
    channel: Float32, *, floor: float, within: NDArray[np.bool_] | None = None
) -> Float32:
    """True peak of each block of 32 frames, two blocks of lead and two of tail included.

    Parameters
    ----------
    channel : shape (n_frames,)
    floor : linear amplitude; blocks that cannot exceed it are spared and read 0 or less than floor
    within : shape (n_blocks,); other blocks read 0
    """
    n_blocks = -(-len(channel) // BLOCK_FRAMES) + 2 * LEAD_BLOCKS
    if not native.compiled:
        peaks = _block_true_peaks_twin(channel, n_blocks)
        return peaks if within is None else np.where(within, peaks, np.float32(0))
    out = np.zeros(n_blocks, np.float32)
    native.lib.cw_block_true_peaks(
        native.pointer(channel),
        len(channel),
        -MARGIN_FRAMES,
        n_blocks,
        native.ffi.NULL if within is None else native.pointer(within),
        *meter_filters(),
        floor,
        native.pointer(out),
    )
    return out


def _block_true_peaks_twin(channel: Float32, n_blocks: int) -> Float32:
    fine = np.abs(interpolated(channel))
    whole = np.zeros(n_blocks * BLOCK_FRAMES * N_PHASES, np.float32)
    whole[: len(fine)] = fine
    return np.asarray(whole.reshape(n_blocks, -1).max(axis=1))
