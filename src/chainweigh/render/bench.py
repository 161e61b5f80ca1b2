"""A chain on the tone bench: distortion, intermodulation, noise, latency and response.

Conventions
-----------
The chain's levels are frozen at what they resolve to on a programme, or on a 997 Hz sine where only
a level is given. Tones are in phase on both channels and go from that peak downward. Every reading
stands beside the same reading of no chain at all, the instrument's own floor.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_rate, check_samples, from_db, shifted
from chainweigh.chain.chain import Chain
from chainweigh.chain.values import RelativeValue
from chainweigh.effects.base import Setting
from chainweigh.errors import SignalError
from chainweigh.measure.coherent import (
    N_ANALYSIS_FRAMES,
    bin_frequency_hz,
    check_peak,
    unit_sine,
)
from chainweigh.measure.intermodulation import ImdResults, imd_plan, imd_signal, measure_imd
from chainweigh.measure.levels import measure_levels
from chainweigh.measure.notch import thdn_notched_pct
from chainweigh.measure.reference_bands import ReferenceBands, reference_bands
from chainweigh.measure.ridden_tones import RiddenTones, ridden_tones, thdn_ridden_pct
from chainweigh.measure.tone_weights import ProgrammeDistortion, programme_distortion
from chainweigh.measure.tones import (
    ToneGrid,
    ToneResults,
    measure_tones,
    tone_grid,
    tone_signal,
)
from chainweigh.render.bench_noise import measure_noise
from chainweigh.render.bench_response import (
    Gains,
    lowest_level_dbfs,
    measure_response,
    response_frequencies_hz,
)
from chainweigh.render.chain_run import RunStage, render_chain, run_frozen

SINE_S = 3.0
RINGS_ON_DB = -80.0
NO_PROGRAMME = "no programme to weight or drive the tones"

Table = tuple[tuple[float | None, ...], ...]


@dataclass(frozen=True)
class FrozenStage:
    """An effect with every setting it ran with; `relative` holds those the chain gave otherwise."""

    effect: str
    settings: Mapping[str, Setting]
    relative: Mapping[str, str]


@dataclass(frozen=True)
class BenchReadings:
    """What the bench read; `undefined` says why a field, or some of it, is None.

    Attributes
    ----------
    thdn_pct, thd_pct, inharmonic_pct : a row a frequency, a column a level
        Everything but the fundamental, 20 Hz to 20 kHz, re the total; harmonics; the rest.
    thdn_peak_pct : 997 Hz at the peak level.
    thdn_peak_notched_pct : the same tone read through the standard notch of AES17.
    thdn_steady_pct : the grid weighted by the programme's blocks and bands.
    thdn_ridden_pct : tones that carry the programme's envelope.
    thdn_programme_pct : the larger of the last two.
    imd : two tone pairs at the peak level.
    noise_dbfs : all but the tone, 20 Hz to 20 kHz, with 997 Hz at -60 dBFS going in.
    idle_noise_dbfs : 20 Hz to 20 kHz with digital silence going in.
    latency_frames : what the chain adds and does not make up for itself.
    response_level_dbfs : peak of the impulse that read the response.
    gain_db : small-signal gain at the results' response_frequencies_hz.

    Notes
    -----
    Noise is in dB re the RMS of a full-scale sine, unweighted: see `bench_noise`. Distortion is
    of the whole chain, stages marked intended included.
    """

    thdn_pct: Table
    thd_pct: Table
    inharmonic_pct: Table
    thdn_peak_pct: float | None
    thdn_peak_notched_pct: float | None
    thdn_steady_pct: float | None
    thdn_ridden_pct: float | None
    thdn_programme_pct: float | None
    imd: ImdResults
    noise_dbfs: float | None
    idle_noise_dbfs: float | None
    latency_frames: int | None
    response_level_dbfs: float | None
    gain_db: Gains
    undefined: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class BenchResults:
    """A chain's readings beside the floor: those of no chain at all.

    `levels_from` says what the chain's relative levels were resolved on.
    """

    chain: str
    about: str
    sample_rate_hz: int
    peak_dbfs: float
    levels_from: str
    stages: tuple[FrozenStage, ...]
    frequencies_hz: tuple[float, ...]
    levels_dbfs: tuple[float, ...]
    peak_tone_hz: float
    response_frequencies_hz: tuple[float, ...]
    measured: BenchReadings
    floor: BenchReadings
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Bench:
    """The tones, and what a programme weights and drives them with where there is one."""

    grid: ToneGrid
    bands: ReferenceBands | None = None
    ridden: RiddenTones | None = None


def bench_on_programme(
    chain: Chain, samples: Samples, sample_rate_hz: int, *, programme: str
) -> BenchResults:
    """Bench a chain driven as a programme drives it.

    Parameters
    ----------
    samples : shape (1 or 2, n_frames); mono plays on both sides at unity
    programme : name of the programme, for the record

    Raises
    ------
    SignalError
        The samples break the array convention, or are silent.
    ChainFileError, RenderError
        A setting does not work at this rate, a level is undefined, or an effect fails.
    """
    check_samples(samples, what="programme")
    check_rate(sample_rate_hz)
    if len(samples) == 1:
        samples = samples.repeat(2, axis=0)
    peak_dbfs = measure_levels(samples, sample_rate_hz).sample_peak_dbfs
    if peak_dbfs is None:
        raise SignalError(f"{programme}: is silent, so it gives no level to test at")
    bands = reference_bands(samples, sample_rate_hz)
    bench = _Bench(tone_grid(sample_rate_hz, peak_dbfs), bands, ridden_tones(samples, bands))
    return _results(chain, bench, samples, levels_from=f"the programme {programme}")


def bench_at_level(chain: Chain, peak_dbfs: float, sample_rate_hz: int) -> BenchResults:
    """Bench a chain driven by tones alone; relative levels are resolved on a 997 Hz sine.

    Parameters
    ----------
    peak_dbfs : float
        Peak of that sine and of the loudest tones, -120 to +40.

    Raises
    ------
    SignalError
        Level or rate out of range.
    ChainFileError, RenderError
        As `bench_on_programme`.
    """
    check_rate(sample_rate_hz)
    check_peak(peak_dbfs)
    bench = _Bench(tone_grid(sample_rate_hz, peak_dbfs))
    n_frames = N_ANALYSIS_FRAMES * int(np.ceil(SINE_S * sample_rate_hz / N_ANALYSIS_FRAMES))
    sine = from_db(peak_dbfs) * unit_sine(bench.grid.peak_tone_bin, n_frames)
    both = np.ascontiguousarray(np.tile(sine.astype(np.float32), (2, 1)))
    return _results(
        chain, bench, both, levels_from=f"a 997 Hz sine of {peak_dbfs:g} dBFS peak on both sides"
    )


def _results(chain: Chain, bench: _Bench, samples: Samples, *, levels_from: str) -> BenchResults:
    grid = bench.grid
    rate = grid.sample_rate_hz
    chain.check_at_rate(rate)
    stages = render_chain(chain, samples, rate).stages
    measured, notes = _readings(stages, bench)
    floor, _ = _readings((), bench)
    return BenchResults(
        chain=chain.name,
        about=chain.about,
        sample_rate_hz=rate,
        peak_dbfs=grid.peak_dbfs,
        levels_from=levels_from,
        stages=tuple(_frozen(stage) for stage in stages),
        frequencies_hz=tuple(map(float, grid.frequencies_hz)),
        levels_dbfs=tuple(map(float, grid.levels_dbfs)),
        peak_tone_hz=bin_frequency_hz(grid.peak_tone_bin, rate),
        response_frequencies_hz=response_frequencies_hz(rate),
        measured=measured,
        floor=floor,
        notes=notes,
    )


def _frozen(run: RunStage) -> FrozenStage:
    return FrozenStage(
        effect=run.stage.name,
        settings=run.stage.rendered(run.settings),
        relative={
            key: str(value)
            for key, value in run.stage.settings.items()
            if isinstance(value, RelativeValue)
        },
    )


def _readings(stages: Sequence[RunStage], bench: _Bench) -> tuple[BenchReadings, tuple[str, ...]]:
    grid, rate = bench.grid, bench.grid.sample_rate_hz

    def run(signal: Samples) -> Samples:
        if not all(s.stage.sides_alike for s in stages):
            signal = signal.repeat(2, axis=0)
        return run_frozen(stages, signal, rate)

    first_dbfs = lowest_level_dbfs(grid.levels_dbfs, _thresholds_dbfs(stages))
    response = measure_response(run, rate, first_dbfs)
    shift = response.latency_frames or 0

    def aligned(signal: Samples) -> Samples:
        return shifted(run(signal), shift, signal.shape[1])

    output = aligned(tone_signal(grid))
    tones = measure_tones(output, grid)
    plan = imd_plan(rate, grid.peak_dbfs)
    imd = measure_imd(aligned(imd_signal(plan)), plan)
    notched = _notched_pct(output, grid)
    of_programme = _of_programme(tones, bench, aligned)
    noise = measure_noise(aligned, rate)
    undefined = {
        **tones.undefined,
        **of_programme.undefined,
        **response.undefined,
        **noise.undefined,
    }
    if notched is None:
        undefined["thdn_peak_notched_pct"] = "the 997 Hz tone came back silent"
    undefined.pop("late_share_db", None)
    readings = BenchReadings(
        thdn_pct=_table(tones.thdn_pct),
        thd_pct=_table(tones.thd_pct),
        inharmonic_pct=_table(tones.inharmonic_pct),
        thdn_peak_pct=tones.thdn_peak_pct,
        thdn_peak_notched_pct=notched,
        thdn_steady_pct=of_programme.thdn_steady_pct,
        thdn_ridden_pct=of_programme.thdn_ridden_pct,
        thdn_programme_pct=of_programme.thdn_programme_pct,
        imd=replace(imd, undefined=dict(imd.undefined)),
        noise_dbfs=noise.noise_dbfs,
        idle_noise_dbfs=noise.idle_noise_dbfs,
        latency_frames=response.latency_frames,
        response_level_dbfs=response.response_level_dbfs,
        gain_db=response.gain_db,
        undefined=undefined,
    )
    return readings, _notes(response.late_share_db, shift, rate)


def _of_programme(
    tones: ToneResults, bench: _Bench, run: Callable[[Samples], Samples]
) -> ProgrammeDistortion:
    if bench.bands is None or bench.ridden is None:
        names = ("thdn_steady_pct", "thdn_ridden_pct", "thdn_programme_pct")
        return ProgrammeDistortion(
            tones.thdn_peak_pct, None, None, None, dict.fromkeys(names, NO_PROGRAMME)
        )
    ridden_pct = thdn_ridden_pct(run(bench.ridden.signal), bench.ridden)
    return programme_distortion(tones, bench.bands, ridden_pct)


def _notched_pct(output: Samples, grid: ToneGrid) -> float | None:
    """The last tone of the grid, 997 Hz at the peak, as the standard notch reads it."""
    plan = grid.segments
    start = (plan.n_segments - 1) * plan.n_segment_frames
    tone = output[:, start : start + plan.n_settle_frames + N_ANALYSIS_FRAMES]
    frequency_hz = bin_frequency_hz(grid.peak_tone_bin, grid.sample_rate_hz)
    return thdn_notched_pct(
        np.ascontiguousarray(tone), grid.sample_rate_hz, frequency_hz=frequency_hz
    )


def _table(values: NDArray[np.float64]) -> Table:
    return tuple(map(tuple, values.tolist()))


def _thresholds_dbfs(stages: Sequence[RunStage]) -> list[float]:
    return [level for run in stages for level in run.stage.thresholds_dbfs(run.settings)]


def _notes(late_share_db: float | None, shift: int, sample_rate_hz: int) -> tuple[str, ...]:
    if late_share_db is None or late_share_db <= RINGS_ON_DB or shift >= sample_rate_hz:
        return ()
    return (
        f"{late_share_db:.1f} dB of the chain's response comes later than the 1 s a tone settles: "
        "THD+N holds what is left of earlier tones.",
    )
