"""Test tones sent through a chain whose levels are frozen at what the programme resolved."""

from collections.abc import Sequence

from chainweigh.audio.array import Samples
from chainweigh.measure.tones import ToneGrid, ToneResults, measure_tones, tone_signal
from chainweigh.render.chain_run import RunStage, run_frozen


def bench_tones(stages: Sequence[RunStage], grid: ToneGrid) -> ToneResults:
    """Steady-tone distortion of a chain, driven as the programme drives it.

    Parameters
    ----------
    stages : the chain as rendered on the programme
    grid : frequencies and levels of the tones

    Raises
    ------
    RenderError
        An effect fails on the tones.

    Notes
    -----
    The tones are in phase on both channels. Where every effect treats equal channels alike, one
    channel is run.
    """
    signal = tone_signal(grid)
    if not all(s.stage.effect.sides_alike for s in stages):
        signal = _both_sides(signal)
    output = run_frozen(stages, signal, grid.sample_rate_hz)
    return measure_tones(output, grid)


def _both_sides(signal: Samples) -> Samples:
    return signal.repeat(2, axis=0)
