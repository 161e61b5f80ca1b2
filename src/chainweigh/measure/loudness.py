"""Loudness and loudness range: ITU-R BS.1770-5, EBU Tech 3341 and Tech 3342.

Conventions
-----------
One pass over the samples stores K-weighted energies of 10 ms hops; every figure comes from those.
A gain scales them all, so a gain can be tried without filtering again. A mono signal is one channel
of weight 1, as BS.1770 has it: on two loudspeakers it plays 3.01 LU louder than it reads. A series
gives the loudness of the window that ends at each of its times.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_layout, check_rate, check_samples
from chainweigh.errors import SignalError
from chainweigh.kernels.loudness import HOPS_PER_SECOND, hop_edges, hop_energies
from chainweigh.once import once

Floats = NDArray[np.float64]

SURROUND_WEIGHTS = (1.0, 1.0, 1.0, 1.41, 1.41)
"""BS.1770-5 Table 3, in the order L R C Ls Rs; the LFE channel is left out."""

HOP_MS = 1000 // HOPS_PER_SECOND
MOMENTARY_MS = 400
SHORT_TERM_MS = 3000
BLOCK_STEP_MS = 100  # 75 % overlap of 400 ms
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0

TOO_SHORT = "shorter than one window of {} ms"
SILENT = "digital silence"
GATED = "no window above the absolute gate of -70 LUFS"


@dataclass(frozen=True)
class Loudness:
    """Loudness of a programme; a field that is None has its reason in `undefined`."""

    integrated_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    lra_lu: float | None
    undefined: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class LoudnessSeries:
    """Loudness over time; -inf marks windows of digital silence."""

    times_s: Floats
    loudness_lufs: Floats


@dataclass(frozen=True, eq=False)
class LoudnessEnergies:
    """K-weighted energies of 10 ms hops, summed over the weighted channels, shape (n_hops,)."""

    hop_energies: Floats
    sample_rate_hz: int

    def scaled(self, gain: float) -> "LoudnessEnergies":
        """Of the same samples times a gain."""
        return LoudnessEnergies(self.hop_energies * gain**2, self.sample_rate_hz)

    def window_powers(self, window_ms: int, step_ms: int = HOP_MS) -> Floats:
        """Mean square of every complete window, begun every step; both in whole hops."""
        n_window, n_step = _whole_hops(window_ms, "window"), _whole_hops(step_ms, "step")
        edges = hop_edges(len(self.hop_energies), self.sample_rate_hz)
        n_frames = (edges[n_window:] - edges[:-n_window])[::n_step]
        return np.asarray(sliding_sum(self.hop_energies, n_window)[::n_step] / n_frames)

    @once
    def block_powers(self) -> Floats:
        """Mean squares of the gating blocks: 400 ms every 100 ms."""
        return self.window_powers(MOMENTARY_MS, BLOCK_STEP_MS)

    def integrated_lufs(self, gain_db: float = 0.0) -> float | None:
        """Integrated loudness in LUFS after a gain in dB; None where no block passes the gate.

        Notes
        -----
        BS.1770-5 Annex 1: blocks above -70 LUFS, then those also above the mean of the former less
        10 LU. The gain moves the programme past the absolute gate, so quiet passages may come in or
        drop out and the result need not move by exactly gain_db. About 20 us for four minutes.
        """
        powers = self.block_powers * 10.0 ** (gain_db / 10.0)
        kept = powers[powers > power_at(ABSOLUTE_GATE_LUFS)]
        if not kept.size:
            return None
        kept = kept[kept > kept.mean() * 10.0 ** (RELATIVE_GATE_LU / 10.0)]
        return float(loudness_of(kept.mean()))

    def maximum_lufs(self, window_ms: int) -> float | None:
        """Loudness of the loudest window, at a 10 ms hop; None without a window, or in silence."""
        largest = self.window_powers(window_ms).max(initial=0.0)
        return float(loudness_of(largest)) if largest > 0 else None

    def range_lu(self, step_ms: int = BLOCK_STEP_MS) -> float | None:
        """Loudness range in LU; None where no 3 s window reaches the gate.

        Notes
        -----
        EBU Tech 3342: 3 s windows, here ten a second, at or above -70 LUFS and at or above their
        mean power less 20 LU; 95th less 10th percentile, each the nearest rank. Only windows within
        the programme count: no silence is appended. Not stable in programmes under a minute.
        """
        powers = self.window_powers(SHORT_TERM_MS, step_ms)
        kept = powers[powers >= power_at(ABSOLUTE_GATE_LUFS)]
        if not kept.size:
            return None
        kept = np.sort(kept[kept >= kept.mean() * 10.0 ** (RANGE_GATE_LU / 10.0)])
        low, high = (kept[int((kept.size - 1) * share + 0.5)] for share in (0.10, 0.95))
        return float(10.0 * np.log10(high / low))

    def series(self, window_ms: int, hop_ms: int) -> LoudnessSeries:
        """Loudness of every complete window."""
        powers = self.window_powers(window_ms, hop_ms)
        edges = hop_edges(len(self.hop_energies), self.sample_rate_hz)
        ends = edges[_whole_hops(window_ms, "window") :: _whole_hops(hop_ms, "hop")]
        return LoudnessSeries(ends / self.sample_rate_hz, loudness_of(powers))

    def short_term(self, hop_ms: int = HOP_MS) -> LoudnessSeries:
        """Short-term loudness: 3 s windows, ungated (EBU Tech 3341)."""
        return self.series(SHORT_TERM_MS, hop_ms)


def loudness_energies(
    samples: Samples, sample_rate_hz: int, *, channel_weights: Sequence[float] | None = None
) -> LoudnessEnergies:
    """K-weighted energies of 10 ms hops, from which any gain's loudness follows.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), float32; 1 to 5 channels
    sample_rate_hz : int
    channel_weights : one factor a channel; 1.0 each for mono and stereo, needed beyond
        (`SURROUND_WEIGHTS` for L R C Ls Rs)

    Raises
    ------
    SignalError
        Samples that break the array convention; a rate that is out of range or not whole; weights
        that are missing, negative or not one a channel.

    Notes
    -----
    Hops at rates that 100 does not divide (11025, 22050 Hz) differ by one frame; windows are exact
    to the nearest sample. Agrees with libebur128 within 0.001 LU.

    References
    ----------
    ITU-R BS.1770-5 (2023), Annex 1.
    """
    check_layout(samples, max_channels=len(SURROUND_WEIGHTS))
    check_whole_rate(sample_rate_hz)
    rate = int(sample_rate_hz)
    weights = _checked_weights(channel_weights, len(samples))
    energies = hop_energies(samples, rate)
    left_out = samples[:, hop_edges(energies.shape[1], rate)[-1] :]
    if not (np.isfinite(energies).all() and np.isfinite(left_out).all()):
        check_samples(samples, max_channels=len(SURROUND_WEIGHTS))  # says where
    return LoudnessEnergies(np.einsum("c,ch->h", weights, energies), rate)


def measure_loudness(
    samples: Samples, sample_rate_hz: int, *, channel_weights: Sequence[float] | None = None
) -> Loudness:
    """Integrated, largest momentary and short-term loudness in LUFS, and loudness range in LU.

    Parameters
    ----------
    samples, sample_rate_hz, channel_weights : as for `loudness_energies`

    Raises
    ------
    SignalError
        As for `loudness_energies`.

    Notes
    -----
    Momentary (400 ms) and short-term (3 s) windows move by 10 ms. None, with a reason, where there
    is no complete window, in digital silence, and where the absolute gate leaves nothing.

    References
    ----------
    ITU-R BS.1770-5 (2023), Annex 1; EBU Tech 3341 and Tech 3342, version 4.0 (2023).
    """
    energies = loudness_energies(samples, sample_rate_hz, channel_weights=channel_weights)
    return loudness_from(energies)


def loudness_from(energies: LoudnessEnergies) -> Loudness:
    """The figures of `measure_loudness` from energies at hand."""
    values = {
        "integrated_lufs": energies.integrated_lufs(),
        "momentary_max_lufs": energies.maximum_lufs(MOMENTARY_MS),
        "short_term_max_lufs": energies.maximum_lufs(SHORT_TERM_MS),
        "lra_lu": energies.range_lu(),
    }
    windows_ms = (MOMENTARY_MS, MOMENTARY_MS, SHORT_TERM_MS, SHORT_TERM_MS)
    n_hops = len(energies.hop_energies)
    silent = not energies.hop_energies.any()
    undefined = {}
    for (name, value), window_ms in zip(values.items(), windows_ms, strict=True):
        if value is None:
            short = n_hops * HOP_MS < window_ms
            undefined[name] = TOO_SHORT.format(window_ms) if short else SILENT if silent else GATED
    return Loudness(**values, undefined=undefined)


def momentary_lufs(
    samples: Samples,
    sample_rate_hz: int,
    *,
    hop_ms: int = 10,
    channel_weights: Sequence[float] | None = None,
) -> LoudnessSeries:
    """Momentary loudness over time: 400 ms windows, ungated (EBU Tech 3341).

    Parameters
    ----------
    samples, sample_rate_hz, channel_weights : as for `loudness_energies`
    hop_ms : a multiple of 10; Tech 3341 case 13 holds up to 20

    Raises
    ------
    SignalError
        As for `loudness_energies`; a hop that is not a multiple of 10 ms.
    """
    energies = loudness_energies(samples, sample_rate_hz, channel_weights=channel_weights)
    return energies.series(MOMENTARY_MS, hop_ms)


def short_term_lufs(
    samples: Samples,
    sample_rate_hz: int,
    *,
    hop_ms: int = 10,
    channel_weights: Sequence[float] | None = None,
) -> LoudnessSeries:
    """Short-term loudness over time: 3 s windows, ungated (EBU Tech 3341).

    Parameters
    ----------
    samples, sample_rate_hz, channel_weights : as for `loudness_energies`
    hop_ms : a multiple of 10; Tech 3341 asks for 100 or less

    Raises
    ------
    SignalError
        As for `loudness_energies`; a hop that is not a multiple of 10 ms.
    """
    energies = loudness_energies(samples, sample_rate_hz, channel_weights=channel_weights)
    return energies.short_term(hop_ms)


def check_whole_rate(sample_rate_hz: float) -> None:
    """Refuse a rate that is out of range or not a whole number of Hz."""
    check_rate(sample_rate_hz)
    if sample_rate_hz != int(sample_rate_hz):
        raise SignalError(f"sample rate {sample_rate_hz} Hz; a whole number is needed")


def sliding_sum(values: Floats, width: int) -> Floats:
    """Sum of every run of `width` values, by doubling.

    Only additions of what lies in the window: never below zero and exactly zero in silence, which
    differences of a cumulative sum are not.
    """
    n_runs = max(len(values) - width + 1, 0)
    total = np.zeros(n_runs)
    run, size, start = values, 1, 0
    while n_runs and size <= width:
        if width & size:
            total += run[start : start + n_runs]
            start += size
        run = run[:-size] + run[size:]
        size *= 2
    return total


def loudness_of(power: Floats | float) -> Floats:
    """Loudness in LUFS of a K-weighted mean square; -inf at zero (BS.1770-5 Annex 1)."""
    with np.errstate(divide="ignore"):
        return np.asarray(-0.691 + 10.0 * np.log10(power))


def power_at(loudness_lufs: float) -> float:
    """K-weighted mean square that has a loudness."""
    return float(10.0 ** ((loudness_lufs + 0.691) / 10.0))


def _whole_hops(duration_ms: int, what: str) -> int:
    if duration_ms < HOP_MS or duration_ms % HOP_MS:
        raise SignalError(f"{what} of {duration_ms} ms; a multiple of {HOP_MS} ms is needed")
    return int(duration_ms // HOP_MS)


def _checked_weights(channel_weights: Sequence[float] | None, n_channels: int) -> Floats:
    if channel_weights is None:
        if n_channels > 2:
            raise SignalError(
                f"{n_channels} channels without channel_weights; for L R C Ls Rs "
                f"they are {SURROUND_WEIGHTS}"
            )
        return np.ones(n_channels)
    weights = np.asarray(channel_weights, dtype=np.float64)
    if weights.shape != (n_channels,) or not np.isfinite(weights).all() or (weights < 0).any():
        raise SignalError(
            f"channel_weights {channel_weights}; {n_channels} finite values of 0 or more are needed"
        )
    return weights
