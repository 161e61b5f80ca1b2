"""The half-band filters that oversample by 2 to 32, and upper bounds on what they can yield.

Five stages double the rate in turn. Each keeps the samples it gets and puts new ones midway, from
a sinc under a Kaiser window, so up to 32 phases of a frame come out and phase 0 is the input
itself. Two cascades serve two ends. Where a bend works, nothing may fold: ripple up to 0.4535 of
the rate (20 kHz at 44.1 kHz) stays within 3e-4 dB and images lie below -96 dB. Where peaks are
read, four stages, more of the band counts: ripple stays within 1e-3 dB up to 0.476 of the rate,
21.0 kHz at 44.1 kHz, and images lie below -80 dB.

References
----------
J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", Proc. IEEE
ISCAS 1974. P. P. Vaidyanathan, "Multirate Systems and Filter Banks", 1993, section 4.6.2
(half-band filters).
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native
from chainweigh.once import once

Float32 = NDArray[np.float32]
Flags = NDArray[np.bool_]

BLOCK_FRAMES = 32
LEAD_BLOCKS = 2  # blocks before the first frame and after the last, for ringing into silence
MARGIN_FRAMES = LEAD_BLOCKS * BLOCK_FRAMES


@dataclass(frozen=True)
class Cascade:
    """Pairs of taps and Kaiser's beta of each stage."""

    pairs: tuple[int, ...]
    betas: tuple[float, ...]

    @once
    def taps(self) -> tuple[Float32, ...]:
        """Of each stage: the weights of the sample pairs at +-1/2, +-3/2 ... of a midpoint."""
        return tuple(_midpoint_taps(n, b) for n, b in zip(self.pairs, self.betas, strict=True))

    @once
    def flat(self) -> tuple[Float32, NDArray[np.int32]]:
        """All taps in a row and the pairs of each stage, as the C kernels take them."""
        return np.concatenate(self.taps), np.array(self.pairs, dtype=np.int32)

    @once
    def later(self) -> "Cascade":
        """The stages after the first, for a signal at twice the rate."""
        return Cascade(self.pairs[1:], self.betas[1:])


BENDING = Cascade((34, 8, 5, 4, 3), (9.9, 12.6, 11.4, 9.7, 8.2))
METERING = Cascade((54, 8, 5, 4, 3), (8.0, 12.6, 11.4, 9.7, 8.2))


def _midpoint_taps(n_pairs: int, beta: float) -> Float32:
    distance = np.arange(n_pairs) + 0.5
    taps = np.sinc(distance) * np.i0(beta * np.sqrt(1 - (distance / n_pairs) ** 2))
    return np.asarray(taps / (2 * taps.sum()), dtype=np.float32)


def pair_order(n_pairs: int) -> list[int]:
    """The order in which a stage's pairs are summed: pairs 8 apart follow each other."""
    whole = n_pairs // 8 * 8
    return [k for r in range(8) for k in range(r, whole, 8)] + list(range(whole, n_pairs))


def interpolate(
    signal: NDArray[np.floating], n_stages: int, cascade: Cascade
) -> NDArray[np.floating]:
    """Twin of the C interpolation: a padded signal, shape (n_frames,), at 2**n_stages its rate.

    The outer MARGIN_FRAMES frames of the result are not valid.
    """
    for stage in range(n_stages):
        n_pairs = cascade.pairs[stage]
        wide = np.pad(signal, n_pairs)
        n = len(signal)
        middle = np.zeros_like(signal)
        for k in pair_order(n_pairs):
            tap = cascade.taps[stage][k]
            left = wide[n_pairs - k : n_pairs - k + n]
            right = wide[n_pairs + 1 + k : n_pairs + 1 + k + n]
            middle += tap * (left + right)
        signal = np.column_stack([signal, middle]).ravel()
    return signal


def decimate(signal: NDArray[np.floating], n_stages: int) -> NDArray[np.floating]:
    """Twin of the C decimation, the bending filters at half the gain; undoes `interpolate`."""
    for stage in reversed(range(n_stages)):
        n_pairs = BENDING.pairs[stage]
        even, odd = signal[::2], signal[1::2]
        wide = np.pad(odd, n_pairs)
        n = len(odd)
        total = np.zeros_like(odd)
        for k in pair_order(n_pairs):
            tap = BENDING.taps[stage][k]
            left = wide[n_pairs - 1 - k : n_pairs - 1 - k + n]
            total += tap * (left + wide[n_pairs + k : n_pairs + k + n])
        signal = np.float32(0.5) * (even + total)
    return signal


@cache
def phase_filters(cascade: Cascade, n_stages: int) -> NDArray[np.float64]:
    """Impulse responses of the 2**n_stages phases, shape (n_phases, 2 * MARGIN_FRAMES + 1)."""
    impulse = np.zeros(4 * MARGIN_FRAMES + 1)
    impulse[2 * MARGIN_FRAMES] = 1.0
    phases = interpolate(impulse, n_stages, cascade).reshape(-1, 2**n_stages).T
    return np.asarray(phases[:, MARGIN_FRAMES : 3 * MARGIN_FRAMES + 1])


@dataclass(frozen=True)
class BlockPeaks:
    """Per block of 32 frames, with two blocks of lead: largest |x|, largest |second difference|."""

    peaks: Float32
    bends: Float32

    @property
    def first(self) -> int:
        """Frame at which the first block starts."""
        return -MARGIN_FRAMES


def block_peaks(channel: Float32) -> BlockPeaks:
    """Block peaks of one channel, shape (n_frames,), silent outside."""
    if not native.compiled:
        return block_peaks_twin(channel)
    n_blocks = _n_blocks(len(channel))
    peaks, bends = np.zeros(n_blocks, np.float32), np.zeros(n_blocks, np.float32)
    native.lib.cw_block_peaks(
        native.pointer(channel),
        len(channel),
        -MARGIN_FRAMES,
        n_blocks,
        native.pointer(peaks),
        native.pointer(bends),
    )
    return BlockPeaks(peaks, bends)


def spread(flags: Flags, n_blocks: int) -> Flags:
    """True up to n_blocks before and after whatever is true."""
    near = flags.copy()
    for q in range(1, n_blocks + 1):
        near[q:] |= flags[:-q]
        near[:-q] |= flags[q:]
    return near


def block_peaks_twin(channel: Float32) -> BlockPeaks:
    """Defines `block_peaks`."""
    n_blocks = _n_blocks(len(channel))
    n = n_blocks * BLOCK_FRAMES
    wide = np.zeros(n + 2, np.float32)
    wide[MARGIN_FRAMES + 1 : MARGIN_FRAMES + 1 + len(channel)] = channel
    bends = np.abs((wide[:-2] + wide[2:]) - np.float32(2) * wide[1:-1])
    levels = np.maximum(np.abs(wide[1:-1]), np.abs(wide[2:]))
    shape = (n_blocks, BLOCK_FRAMES)
    return BlockPeaks(levels.reshape(shape).max(axis=1), bends.reshape(shape).max(axis=1))


def _n_blocks(n_frames: int) -> int:
    return -(-n_frames // BLOCK_FRAMES) + 2 * LEAD_BLOCKS


@dataclass(frozen=True)
class Bound:
    """|y| <= level * (largest |x|) + sum of bends * (largest |second difference|) of near blocks.

    A filter y = sum h[j] x[m + j] is split into a x[m] + b x[m + 1] with its sum and first moment,
    and a rest that has neither and therefore is a filter over second differences.
    """

    level: float
    bends: tuple[float, ...]  # weights of the blocks at -2 ... +2

    def of(self, blocks: BlockPeaks) -> Float32:
        """Upper bound of each block, with room for the rounding of float32 sums."""
        near = np.pad(blocks.peaks, LEAD_BLOCKS)
        curve = np.pad(blocks.bends, LEAD_BLOCKS)
        n = len(blocks.peaks)
        largest = blocks.peaks
        total = np.float32(self.level) * blocks.peaks
        for q, weight in enumerate(self.bends):
            largest = np.maximum(largest, near[q : q + n])
            total += np.float32(weight) * curve[q : q + n]
        slack = np.float32(3e-5) * largest + np.finfo(np.float32).tiny
        return np.asarray(total + slack, dtype=np.float32)


def bound_of(filters: NDArray[np.float64]) -> Bound:
    """Bound over all rows of filters, shape (n_phases, 2 * reach + 1), centred on frame m."""
    reach = filters.shape[1] // 2
    at = np.arange(-reach, reach + 1)
    total, moment = filters.sum(axis=1), filters @ at
    rest = filters.copy()
    rest[:, reach] -= total - moment
    rest[:, reach + 1] -= moment
    # rest = c[j + 1] - 2 c[j] + c[j - 1], so c[j] is the double sum of rest up to j - 1
    curve = np.zeros_like(rest)
    curve[:, 1:] = np.cumsum(np.cumsum(rest, axis=1), axis=1)[:, :-1]
    weights = np.zeros(2 * LEAD_BLOCKS + 1)
    for frame in range(BLOCK_FRAMES):
        block = (frame + at) // BLOCK_FRAMES + LEAD_BLOCKS
        kept = (block >= 0) & (block <= 2 * LEAD_BLOCKS)
        for q in range(len(weights)):
            share = np.abs(curve[:, kept & (block == q)]).sum(axis=1).max()
            weights[q] = max(weights[q], share)
    level = float((np.abs(total - moment) + np.abs(moment)).max())
    return Bound(level, tuple(weights.tolist()))


@cache
def oversampling_bound(cascade: Cascade, n_stages: int) -> Bound:
    """Bound on the signal at 2**n_stages times its rate, lower oversampling included."""
    return bound_of(phase_filters(cascade, n_stages)[:, ::-1])


@dataclass(frozen=True)
class ParabolaBound:
    """|y| <= level * (largest of the parabola through four samples) + weight * what it leaves out.

    The parabola between x[m] and x[m + 1] has the mean of their second differences. What a filter
    does beyond it is a filter over differences of second or third order.
    """

    level: float
    largest: float  # weight of the largest difference near
    energy: float  # weight of the root of the near differences' energy


def parabola_bound_of(filters: NDArray[np.float64], order: int) -> ParabolaBound:
    """Bound over all rows of filters, shape (n_phases, 2 * reach + 1), centred on frame m."""
    reach = filters.shape[1] // 2
    at = np.arange(-reach, reach + 1.0)
    position = filters @ at
    bend = position * (position - 1) / 4
    rest = filters.copy()
    rest[:, reach - 1 : reach + 3] -= np.stack(
        [bend, 1 - position - bend, position - bend, bend], axis=1
    )
    powers = at ** np.arange(order)[:, None]
    core = powers[:, reach - 1 : reach + 3]
    excess = np.linalg.pinv(core) @ (powers @ rest.T)  # what keeps it from being differences
    rest[:, reach - 1 : reach + 3] -= excess.T
    for _ in range(order):
        rest = np.cumsum(rest, axis=1)
    return ParabolaBound(
        level=1 + float(np.abs(excess).sum(axis=0).max()),
        largest=float(np.abs(rest).sum(axis=1).max()),
        energy=float(np.sqrt(np.square(rest).sum(axis=1)).max()),
    )


@cache
def parabola_bound(cascade: Cascade, n_stages: int, order: int) -> ParabolaBound:
    """The same of the signal at 2**n_stages times its rate, lower oversampling included."""
    return parabola_bound_of(phase_filters(cascade, n_stages)[:, ::-1], order)
