"""Test tones sent through a chain whose levels are frozen at what the programme resolved."""

from collections.abc import Iterable, Sequence
from itertools import takewhile
from math import inf

from chainweigh.audio.array import Samples
from chainweigh.effects.base import Reach
from chainweigh.measure.coherent import SegmentPlan
from chainweigh.measure.reference_bands import ReferenceBands
from chainweigh.measure.ridden_tones import RiddenTones, thdn_ridden_pct
from chainweigh.measure.tone_weights import ProgrammeDistortion, programme_distortion
from chainweigh.measure.tones import ToneGrid, ToneResults, measure_tones, tone_signal
from chainweigh.render.chain_run import RunStage, run_frozen


def bench_tones(
    stages: Sequence[RunStage], grid: ToneGrid, bands: ReferenceBands, ridden: RiddenTones | None
) -> tuple[ToneResults, ProgrammeDistortion]:
    """Distortion of a chain on steady and ridden tones, driven as the programme drives it.

    Parameters
    ----------
    stages : the chain as rendered on the programme
    grid : frequencies and levels of the steady tones
    bands : the programme's weights
    ridden : tones that carry the programme's envelope; None leaves them out

    Raises
    ------
    RenderError
        An effect fails on the tones.

    Notes
    -----
    The tones are in phase on both channels. Where every effect treats equal channels alike, one
    channel is run. What no result depends on is not run either: tones too quiet for any effect to
    touch, time that no effect reaches, halves of periods that are the other half negated.
    """
    rate = grid.sample_rate_hz
    plan = _plan(stages, grid)
    results = measure_tones(_played(stages, grid, plan), grid, plan)
    ridden_pct = None
    if ridden is not None and ridden.n_windows:
        output = run_frozen(stages, _sides(stages, ridden.signal), rate)
        ridden_pct = thdn_ridden_pct(output, ridden)
    return results, programme_distortion(results, bands, ridden_pct)


def _plan(stages: Sequence[RunStage], grid: ToneGrid) -> SegmentPlan:
    """The least of the steady tones that tells what the stages make of all."""
    plan = grid.segments
    n_bounded, reach = _bounded(stages, plan)
    if n_bounded == len(stages):
        odd = all(run.stage.odd for run in stages)
        plan = plan.within_reach(reach.n_before, reach.n_after, odd=odd)
    return plan.from_segment(_n_untouched(stages, grid))


def _n_untouched(stages: Sequence[RunStage], grid: ToneGrid) -> int:
    """How many of the first tones need no run; the last before the first touched one leads in."""
    levels_dbfs = [run.stage.untouched_dbfs(run.settings) for run in stages]
    n_tones = sum(level_dbfs <= min(levels_dbfs, default=inf) for _, level_dbfs in grid.tones)
    return n_tones if n_tones == len(grid.tones) else max(n_tones - 1, 0)


def _bounded(stages: Iterable[RunStage], plan: SegmentPlan) -> tuple[int, Reach]:
    """How many of the first stages reach back no farther than a tone has settled; their reach."""
    n_bounded, whole = 0, Reach()
    for run in stages:
        reach = run.stage.reach(plan.sample_rate_hz, run.settings)
        if reach is None or (whole + reach).n_before > plan.n_alone_frames:
            break
        n_bounded, whole = n_bounded + 1, whole + reach
    return n_bounded, whole


def _played(stages: Sequence[RunStage], grid: ToneGrid, plan: SegmentPlan) -> Samples:
    """What the stages make of the steady tones, exact in the analysis windows.

    The last stages, those whose reach is bounded, get silence where no window feels it. The first
    ones, where they are odd as well, run over a period less, which is then repeated.
    """
    rate = grid.sample_rate_hz
    n_last, reach = _bounded(reversed(stages), plan)
    n_before = len(stages) - n_last
    n_first = _n_repeated(stages[:n_before], plan)
    return run_frozen(  # without a name for what goes in: it is freed on the way
        stages[n_before:],
        plan.silence_outside(
            run_frozen(stages[n_first:n_before], _begun(stages, n_first, grid, plan), rate),
            reach.n_before,
            reach.n_after,
        ),
        rate,
    )


def _n_repeated(stages: Sequence[RunStage], plan: SegmentPlan) -> int:
    """How many of the first stages leave periods that repeat, with time for one."""
    n_first, reach = _bounded(takewhile(lambda run: run.stage.odd, stages), plan)
    return n_first if plan.has_a_period_to_spare(reach.n_before, reach.n_after) else 0


def _begun(stages: Sequence[RunStage], n_first: int, grid: ToneGrid, plan: SegmentPlan) -> Samples:
    """The tones as they leave the first stages, of which a period less was run."""
    if n_first == 0:
        return _sides(stages, tone_signal(grid, plan))
    signal = _sides(stages, tone_signal(grid, plan.without_a_period()))
    output = run_frozen(stages[:n_first], signal, grid.sample_rate_hz)
    return plan.with_the_period(output, _bounded(stages[:n_first], plan)[1].n_after)


def _sides(stages: Sequence[RunStage], signal: Samples) -> Samples:
    alike = all(run.stage.sides_alike for run in stages)
    return signal if alike else signal.repeat(2, axis=0)
