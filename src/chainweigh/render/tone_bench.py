"""Test tones sent through a chain whose levels are frozen at what the programme resolved."""

from collections.abc import Sequence

from chainweigh.audio.array import Samples
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
    channel is run.
    """
    rate = grid.sample_rate_hz
    results = measure_tones(_played(stages, grid), grid)
    ridden_pct = None
    if ridden is not None and ridden.n_windows:
        output = run_frozen(stages, _sides(stages, ridden.signal), rate)
        ridden_pct = thdn_ridden_pct(output, ridden)
    return results, programme_distortion(results, bands, ridden_pct)


def _played(stages: Sequence[RunStage], grid: ToneGrid) -> Samples:
    """What the stages make of the steady tones, exact in the analysis windows.

    The last stages, those whose reach is bounded, get silence where no window feels it.
    """
    rate = grid.sample_rate_hz
    n_first, reach_frames = len(stages), 0
    while n_first:
        reach = stages[n_first - 1].stage.reach_frames(rate)
        if reach is None:
            break
        n_first, reach_frames = n_first - 1, reach_frames + reach
    return run_frozen(  # without a name for what goes in: it is freed on the way
        stages[n_first:],
        grid.segments.silence_outside(
            run_frozen(stages[:n_first], _sides(stages, tone_signal(grid)), rate), reach_frames
        ),
        rate,
    )


def _sides(stages: Sequence[RunStage], signal: Samples) -> Samples:
    alike = all(run.stage.sides_alike for run in stages)
    return signal if alike else signal.repeat(2, axis=0)
