"""Look-ahead gain reduction, and the trim that makes a true-peak ceiling hold."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native
from chainweigh.kernels.halfband import (
    BLOCK_FRAMES,
    LEAD_BLOCKS,
    MARGIN_FRAMES,
    METERING,
    phase_filters,
    spread,
)
from chainweigh.kernels.true_peak import (
    N_STAGES,
    block_true_peaks,
    meter_filters,
    true_peak_envelope_twin,
)

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

UNIT = 2.0**30
FAINT = 2.0**-20  # a release ends here, at -120 dB
TOLERANCE = 10 ** (0.005 / 20)  # overshoot the trim leaves alone
STEP = 4  # frames a gain value spans where the look-ahead is long
HOLD_KNOTS = 4  # blocks a trim holds on both sides of its peak
N_TRIMS = 16  # three were the most that hard signals took
TRIM_REACH_FRAMES = N_TRIMS * 2 * HOLD_KNOTS * BLOCK_FRAMES


@dataclass(frozen=True)
class GainShape:
    """How the gain moves, in frames at the programme's rate.

    Attributes
    ----------
    n_look : frames the gain looks ahead, itself included, at least 1
    n_attack : frames over which it comes down, 1 to n_look
    n_hold : frames a reduction stays before its release
    decay : factor a frame by which the reduction 1 - gain falls in release
    slow_decay : the same for the running average of the reduction, below which it does not fall;
        0 for none
    """

    n_look: int
    n_attack: int
    n_hold: int = 0
    decay: float = 0.0
    slow_decay: float = 0.0

    @property
    def step(self) -> int:
        """Frames from one value of the gain to the next: 4 where the look-ahead has time for it."""
        return STEP if self.n_look >= 16 * STEP else 1


def limit(
    samples: Float32,
    envelope: Float32 | None,
    *,
    ceiling: float,
    link: float,
    shape: GainShape,
) -> tuple[Float32, Float32]:
    """Lower the gain around whatever exceeds the ceiling.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), one or two channels
    envelope : shape of samples, at least their magnitude where that exceeds the ceiling; the sign
        is ignored. None: their true peaks, bit for bit as from `true_peak_envelope`, but read only
        where the release of earlier peaks leaves them above the ceiling.
    ceiling : linear amplitude
    link : 0 to 1, how far a channel follows the other where that one needs more
    shape : how the gain moves

    Returns
    -------
    The limited samples, in time with the input: gain * samples with gain <= ceiling / envelope on
    every frame, and no sample above the ceiling. Then of each block of 32 frames the lowest gain
    and the most it moves from one frame to the next, shape (n_gains, n_blocks, 2): a gain a
    channel, or one for all at a link of 1.
    """
    if not native.compiled:
        return limit_twin(samples, envelope, ceiling=ceiling, link=link, shape=shape)
    out = np.empty_like(samples)
    n_gains = 1 if link == 1 else len(samples)
    moves = np.zeros((n_gains, -(-samples.shape[1] // BLOCK_FRAMES), 2), np.float32)
    moves[:, :, 0] = 1
    fitted = native.lib.cw_limit(
        native.pointer(samples),
        native.ffi.NULL if envelope is None else native.pointer(envelope),
        native.pointer(out),
        native.pointer(moves),
        len(samples),
        samples.shape[1],
        *meter_filters(),
        ceiling,
        link,
        shape.n_look,
        shape.n_attack,
        shape.n_hold,
        shape.decay,
        shape.slow_decay,
    )
    if not fitted:
        raise MemoryError("no memory for the limiter's look-ahead")
    return out, moves


def limit_twin(
    samples: Float32,
    envelope: Float32 | None,
    *,
    ceiling: float,
    link: float,
    shape: GainShape,
) -> tuple[Float32, Float32]:
    """Defines `limit`: the same steps over the whole programme, to 2e-7 of it."""
    if envelope is None:
        envelope = true_peak_envelope_twin(samples, floor=ceiling)
    step = shape.step
    n_steps, n_hold = shape.n_look // step, shape.n_hold // step
    n_smooth = max(shape.n_attack // step, 1)
    first_box = (n_smooth + 2) // 2
    top = np.float32(ceiling)
    need = np.array([_needed(row, float(top), step) for row in envelope.astype(np.float64)])
    need += link * (need.max(axis=0) - need)
    out = np.empty_like(samples)
    n_blocks = -(-samples.shape[1] // BLOCK_FRAMES)
    moves = np.zeros((len(samples), n_blocks, 2), np.float32)
    for channel, due, row, move in zip(samples, need, out, moves, strict=True):
        held = _held(np.pad(due, (n_hold + n_steps + 1, 0)), n_hold + n_steps + (step > 1))
        released = _released(held[: len(held) - n_hold], shape.decay**step)
        kept = _above_average(released, shape.slow_decay**step)
        reduction = np.ceil(kept * UNIT)
        for n_box in (first_box, n_smooth + 1 - first_box):
            reduction = _box_sum(reduction, n_box) / n_box
        knots = 1 - reduction[n_steps:] / UNIT
        gain = _between(knots, step)[: len(channel)].astype(np.float32)
        row[:] = np.clip(channel * gain, -top, top)
        ends = np.pad(gain, (0, n_blocks * BLOCK_FRAMES - len(gain)), mode="edge")[step - 1 :: step]
        ends = np.r_[np.float32(knots[0]), ends]
        steps = np.abs(np.diff(ends)).reshape(n_blocks, BLOCK_FRAMES // step) / step
        lowest = np.minimum(ends[:-1], ends[1:]).reshape(n_blocks, BLOCK_FRAMES // step)
        move[:] = np.column_stack([lowest.min(axis=1), steps.max(axis=1)])
    return out, moves[:1] if link == 1 else moves


def _needed(envelope: Float64, ceiling: float, step: int) -> Float64:
    """Reduction each step's frames need."""
    n_steps = -(-len(envelope) // step)
    wide = np.pad(np.abs(envelope), (0, n_steps * step - len(envelope)))
    magnitude = wide.reshape(n_steps, step).max(axis=1)
    over = np.maximum(magnitude - ceiling, 0.0)
    return np.asarray(over / np.where(magnitude > 0, magnitude, 1.0))


def _between(knots: Float64, step: int) -> Float64:
    """A straight line through knots that stand on the last frame of each step."""
    share = np.arange(1, step + 1) / step
    line = knots[:-1, None] + (knots[1:] - knots[:-1])[:, None] * share
    return np.asarray(line.ravel())


def _held(need: Float64, n_look: int) -> Float64:
    """Largest of each frame and the n_look - 1 that follow."""
    held, width = np.pad(need, (0, n_look - 1)), 1
    while 2 * width <= n_look:
        held = np.maximum(held[:-width], held[width:])
        width *= 2
    rest = n_look - width
    return np.asarray(np.maximum(held[: len(need)], held[rest : rest + len(need)]))


def _released(held: Float64, decay: float) -> Float64:
    """y[n] = max(held[n], decay * y[n - 1]): in logarithms a running maximum."""
    if decay == 0:
        return held
    with np.errstate(divide="ignore"):
        slope = np.arange(len(held)) * np.log(decay)
        released = np.exp(np.maximum.accumulate(np.log(held) - slope) + slope)
    return np.where(released < FAINT, held, np.maximum(held, released))


def _above_average(reduction: Float64, slow_decay: float) -> Float64:
    """Each value or, where that is larger, a running average of them."""
    if slow_decay == 0:
        return reduction
    from scipy.signal import lfilter

    average = lfilter([1 - slow_decay], [1, -slow_decay], reduction)
    return np.asarray(np.maximum(reduction, np.where(average > FAINT, average, 0.0)))


def _box_sum(units: Float64, n_box: int) -> Float64:
    """Sum of each frame and the n_box - 1 before it."""
    total = np.cumsum(np.pad(units, (n_box, 0)))
    return np.asarray(total[n_box:] - total[:-n_box])


def needs_check(moves: Float32) -> NDArray[np.bool_]:
    """Blocks near which the gain moves enough for a true peak to pass the ceiling.

    Where the gain g moves by at most d a frame, it is off by d |k| at the interpolation's tap k:
    g times a signal that stayed below ceiling / g peaks at most d / g * sum |h[k] k| above it.
    """
    n_blocks = moves.shape[1] + 2 * LEAD_BLOCKS
    checked = np.zeros(n_blocks, np.bool_)
    if moves.shape[1] == 0:
        return checked
    filters = np.abs(phase_filters(METERING, N_STAGES))
    moment = (filters @ np.abs(np.arange(filters.shape[1]) - MARGIN_FRAMES)).max()
    around = range(2 * LEAD_BLOCKS + 1)
    for channel in moves:
        low, move = np.pad(channel, ((2 * LEAD_BLOCKS, 2 * LEAD_BLOCKS), (0, 0)), mode="edge").T
        lowest = np.minimum.reduce([low[q : q + n_blocks] for q in around])
        most = np.maximum.reduce([move[q : q + n_blocks] for q in around])
        checked |= most * moment > (TOLERANCE - 1) * lowest
    return checked


def trim_true_peaks(
    samples: Float32, *, ceiling: float, link: float, within: NDArray[np.bool_] | None = None
) -> None:
    """In place, dip the gain for a moment where the true peak exceeds the ceiling, until none does.

    Band-limiting lets the product of a signal and a moving gain peak slightly above the product of
    their peaks. What is left exceeds the ceiling by at most 0.005 dB. `within` names the blocks to
    look at, all by default.
    """
    ceiling = float(np.float32(ceiling))
    for _ in range(N_TRIMS):
        over = np.array([_excess(c, ceiling, within) for c in samples])
        if not over.any():
            return
        over += link * (over.max(axis=0) - over)
        for channel, excess in zip(samples, over, strict=True):
            apply_knots(channel, _knots(excess))
        within = spread(over.max(axis=0) > 0, HOLD_KNOTS + 4)


def _excess(channel: Float32, ceiling: float, within: NDArray[np.bool_] | None) -> Float32:
    """Reduction each block still needs."""
    floor = ceiling * TOLERANCE
    peaks = block_true_peaks(channel, floor=floor, within=within)
    over = peaks > floor
    needed = np.zeros_like(peaks)
    needed[over] = 1 - np.float32(ceiling) / peaks[over]
    return needed


def _knots(excess: Float32) -> Float32:
    """Reduction at each block's start: held on both sides of an excess, then eased out."""
    held = np.pad(excess, (HOLD_KNOTS, HOLD_KNOTS + 1))
    n = len(excess) + 1
    shifts = range(2 * HOLD_KNOTS)
    top = np.maximum.reduce([held[q : q + n] for q in shifts])
    eased = np.pad(top, 1)
    return np.asarray(np.maximum(top, 0.5 * np.maximum(eased[:-2], eased[2:])), dtype=np.float32)


def apply_knots(channel: Float32, knots: Float32) -> None:
    """Multiply a channel in place by 1 - a line through knots at the blocks' starts."""
    if not native.compiled:
        apply_knots_twin(channel, knots)
        return
    native.lib.cw_trim(
        native.pointer(channel), len(channel), native.pointer(knots), len(knots) - 1, -MARGIN_FRAMES
    )


def apply_knots_twin(channel: Float32, knots: Float32) -> None:
    """Defines `apply_knots`."""
    step = np.arange(BLOCK_FRAMES, dtype=np.float32)
    slope = (knots[1:] - knots[:-1]) / np.float32(BLOCK_FRAMES)
    line = knots[:-1, None] + slope[:, None] * step
    channel *= 1 - line.ravel()[MARGIN_FRAMES : MARGIN_FRAMES + len(channel)]
