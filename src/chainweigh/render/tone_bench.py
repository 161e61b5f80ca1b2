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
    results = measure_tones(run_frozen(stages, _sides(stages, tone_signal(grid)), rate), grid)
    ridden_pct = None
    if ridden is not None and ridden.n_windows:
        output = run_frozen(stages, _sides(stages, ridden.signal), rate)
        ridden_pct = thdn_ridden_pct(output, ridden)
    return results, programme_distortion(results, bands, ridden_pct)


def _sides(stages: Sequence[RunStage], signal: Samples) -> Samples:
    alike = all(run.stage.sides_alike for run in stages)
    return signal if alike else signal.repeat(2, axis=0)
