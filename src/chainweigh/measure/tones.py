"""Distortion on steady test tones: the grid, its signal, and what came back.

Conventions
-----------
`tone_signal` makes one signal that holds every tone of the grid, quietest first, so that what a
compressor remembers is always quieter than what it meets. The caller runs it through a process and
hands the time-aligned output to `measure_tones`. Ratios follow AES17: everything but the
fundamental, 20 Hz to 20 kHz, as a share of the total (not of the fundamental), in percent.
Stereo output is judged as one signal: powers add over channels.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_rate, from_db
from chainweigh.measure.coherent import (
    N_ANALYSIS_FRAMES,
    SILENT_SHARE,
    SegmentPlan,
    audio_band,
    bin_frequency_hz,
    check_peak,
    nearest_odd_bin,
    power_spectra,
    unit_sine,
)

CENTRES_HZ = (31.5, 40.0, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
BELOW_PEAK_DB = (30.0, 20.0, 12.0, 8.0, 6.0, 4.0, 3.0, 2.0, 1.0, 0.0)
PEAK_TONE_HZ = 997.0
N_BATCH = 4  # transforms at once: fastest where they stay in cache

Reading = tuple[float, float, float]  # THD+N, THD and the rest, in percent
Grid = np.ma.MaskedArray[tuple[int, int], np.dtype[np.float64]]


@dataclass(frozen=True)
class ToneGrid:
    """The steady tones: frequencies times levels, and 997 Hz at the programme's sample peak.

    Attributes
    ----------
    sample_rate_hz : int
    peak_dbfs : float
        The programme's sample peak, which the loudest tones reach.
    centres_hz : tuple of float
        Nominal frequencies, ascending; those whose second harmonic would not fit are left out.
    bins : tuple of int
        Odd transform bin of each.
    levels_dbfs : tuple of float
        Peaks of the tones, quietest first.
    peak_tone_bin : int
        Bin nearest to 997 Hz.
    """

    sample_rate_hz: int
    peak_dbfs: float
    centres_hz: tuple[float, ...]
    bins: tuple[int, ...]
    levels_dbfs: tuple[float, ...]
    peak_tone_bin: int

    @property
    def frequencies_hz(self) -> tuple[float, ...]:
        """Frequencies the tones have."""
        return tuple(bin_frequency_hz(k, self.sample_rate_hz) for k in self.bins)

    @property
    def tones(self) -> tuple[tuple[int, float], ...]:
        """Bin and peak level of each segment: by level, then by frequency, 997 Hz last."""
        steady = [(k, level_dbfs) for level_dbfs in self.levels_dbfs for k in self.bins]
        return (*steady, (self.peak_tone_bin, self.peak_dbfs))

    @property
    def segments(self) -> SegmentPlan:
        """Where the tones lie in the signal."""
        return SegmentPlan(self.sample_rate_hz, len(self.bins) * len(self.levels_dbfs) + 1)

    @property
    def n_frames(self) -> int:
        """Length of the signal in frames."""
        return self.segments.n_frames


@dataclass(frozen=True, eq=False)
class ToneResults:
    """Distortion of each tone of a grid.

    The arrays have shape (n_frequencies, n_levels) and are masked where the output was silent;
    `tolist()` gives None there. `undefined` maps a field's name to why it, or some of it, is None.

    Attributes
    ----------
    thdn_pct : masked array
        Everything but the fundamental, 20 Hz to 20 kHz, re the total.
    thd_pct : masked array
        Its harmonic part.
    inharmonic_pct : masked array
        The rest: aliasing, noise, modulation. The squares of the two parts add up to thdn_pct's.
    thdn_peak_pct : float or None
        THD+N of 997 Hz at the programme's sample peak.
    """

    grid: ToneGrid
    thdn_pct: Grid
    thd_pct: Grid
    inharmonic_pct: Grid
    thdn_peak_pct: float | None
    undefined: Mapping[str, str] = field(default_factory=dict)


def fitting_centres_hz(sample_rate_hz: int) -> tuple[float, ...]:
    """Nominal frequencies whose tone has its second harmonic below half the rate."""
    return tuple(
        centre
        for centre in CENTRES_HZ
        if 4 * nearest_odd_bin(centre, sample_rate_hz) <= N_ANALYSIS_FRAMES
    )


def tone_grid(sample_rate_hz: int, peak_dbfs: float) -> ToneGrid:
    """Grid of steady tones for a programme with this sample peak.

    Parameters
    ----------
    sample_rate_hz : int
        8000 to 384000.
    peak_dbfs : float
        Sample peak of what reaches the chain, dB re full scale; -120 to +40.

    Raises
    ------
    SignalError
        Rate or peak level out of range, or a peak level that is not finite.
    """
    check_rate(sample_rate_hz)
    check_peak(peak_dbfs)
    centres = fitting_centres_hz(sample_rate_hz)
    return ToneGrid(
        sample_rate_hz=sample_rate_hz,
        peak_dbfs=float(peak_dbfs),
        centres_hz=centres,
        bins=tuple(nearest_odd_bin(centre, sample_rate_hz) for centre in centres),
        levels_dbfs=tuple(peak_dbfs - below for below in BELOW_PEAK_DB),
        peak_tone_bin=nearest_odd_bin(PEAK_TONE_HZ, sample_rate_hz),
    )


def tone_signal(grid: ToneGrid, plan: SegmentPlan | None = None) -> Samples:
    """All tones of a grid in one signal, shape (1, grid.n_frames).

    Parameters
    ----------
    grid : ToneGrid
    plan : a shorter plan than grid.segments, made of it: its last tones, in shape (1, its n_frames)

    Notes
    -----
    Each tone settles for 1 s, is analysed over 65536 frames, and goes on for a guard of 0.2 s; then
    a cross-fade of 20 ms leads to the next. About 270 s at 44.1 kHz. The unit tones of the last
    rates asked for are kept, so another level costs one scaling.
    """
    plan = plan or grid.segments
    return _joined(grid, plan, len(grid.tones) - plan.n_segments)


def _joined(grid: ToneGrid, plan: SegmentPlan, start: int) -> Samples:
    """As many tones as the plan has segments, from the grid's tone number start on."""
    units = dict(zip((*grid.bins, grid.peak_tone_bin), _unit_tones(grid), strict=True))
    return plan.join(
        (units[k][plan.n_spared_settle_frames :], from_db(level_dbfs))
        for k, level_dbfs in grid.tones[start : start + plan.n_segments]
    )


def _unit_tones(grid: ToneGrid) -> NDArray[np.float32]:
    n_frames = grid.segments.n_segment_frames + grid.segments.n_fade_frames
    return _kept_unit_tones((*grid.bins, grid.peak_tone_bin), n_frames)


@lru_cache(maxsize=2)
def _kept_unit_tones(bins: tuple[int, ...], n_frames: int) -> NDArray[np.float32]:
    tones = np.stack([unit_sine(k, n_frames).astype(np.float32) for k in bins])
    tones.flags.writeable = False
    return tones


def measure_tones(output: Samples, grid: ToneGrid, plan: SegmentPlan | None = None) -> ToneResults:
    """THD+N, THD and the inharmonic rest of every tone, in percent of the total.

    Parameters
    ----------
    output : shape (1 or 2, >= grid.n_frames), float32
        What a process made of `tone_signal(grid)`, aligned with it in time; a tail is ignored.
    grid : ToneGrid
    plan : the plan that the signal was made by; tones it leaves out read as a bypass

    Returns
    -------
    ToneResults
        A tone that came back silent is masked (None), with the reason in `undefined`.

    Raises
    ------
    SignalError
        `output` breaks the array convention or is shorter than the grid's signal.

    Notes
    -----
    A bypass reads about 3e-6 %: the rounding of float32. Costs about 0.3 ms a tone.

    References
    ----------
    AES17-2015, 6.3: total harmonic distortion and noise, here with an ideal notch: the bin of a
    coherent transform. See `chainweigh.measure.notch` for the standard's own filter.
    """
    plan = plan or grid.segments
    windows = plan.windows(output, what="tone output")
    n_left_out = len(grid.tones) - plan.n_segments
    measured: list[Reading | None] = []
    for start in range(0, n_left_out, N_BATCH):
        measured += _bypass_readings(grid, start)
    del measured[n_left_out:]
    for start in range(n_left_out, len(grid.tones), N_BATCH):
        batch = windows[:, start - n_left_out : start - n_left_out + N_BATCH]
        measured += _readings(batch, grid, start)
    return _results(measured, grid)


@lru_cache(maxsize=256)
def _bypass_readings(grid: ToneGrid, start: int) -> list[Reading | None]:
    """What the tones of a batch read where nothing happens to them."""
    n_tones = min(N_BATCH, len(grid.tones) - start)
    plan = replace(grid.segments, n_segments=n_tones)
    return _readings(plan.windows(_joined(grid, plan, start), what="tones"), grid, start)


def _readings(windows: Samples, grid: ToneGrid, start: int) -> list[Reading | None]:
    """Of a batch of windows, the first that of the grid's tone number start."""
    tones = grid.tones[start : start + windows.shape[1]]
    return [
        _distortion_pct(power, k, grid.sample_rate_hz)
        for power, (k, _) in zip(power_spectra(windows), tones, strict=True)
    ]


def _distortion_pct(power: NDArray[np.float64], k: int, sample_rate_hz: int) -> Reading | None:
    """THD+N, THD and inharmonic share of one tone's power spectrum; None when it is silent."""
    band = audio_band(sample_rate_hz)
    whole = power.sum()
    fundamental = power[k]
    harmonics = power[2 * k : band.stop : k].sum()
    power[k : band.stop : k] = 0.0
    rest = power[band].sum()
    total = fundamental + harmonics + rest
    if total <= SILENT_SHARE * whole:
        return None
    shares = np.sqrt(np.array([harmonics + rest, harmonics, rest]) / total)
    thdn, thd, inharmonic = 100.0 * shares
    return float(thdn), float(thd), float(inharmonic)


def _results(measured: list[Reading | None], grid: ToneGrid) -> ToneResults:
    *steady, peak = measured
    shape = (len(grid.levels_dbfs), len(grid.bins))
    silent = np.array([m is None for m in steady]).reshape(shape).T
    fields = ("thdn_pct", "thd_pct", "inharmonic_pct")
    arrays: dict[str, Any] = {}
    for i, name in enumerate(fields):
        values = np.array([0.0 if m is None else m[i] for m in steady]).reshape(shape).T
        values.flags.writeable = silent.flags.writeable = False
        arrays[name] = np.ma.array(values, mask=silent)
    undefined = {}
    if silent.any():
        reason = f"{int(silent.sum())} of {silent.size} tones came back silent"
        undefined.update(dict.fromkeys(fields, reason))
    if peak is None:
        undefined["thdn_peak_pct"] = "the 997 Hz tone came back silent"
    return ToneResults(
        grid=grid, thdn_peak_pct=None if peak is None else peak[0], undefined=undefined, **arrays
    )
