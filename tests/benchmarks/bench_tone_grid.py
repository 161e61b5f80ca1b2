"""The steady grid of a chain of five built-in effects, from signal to distortion, on one core.

Peer: pedalboard rendering four of the five effects over the same signal, and the spectra by
numpy.fft one tone after another. Goal: 0.5 s. The first call in a process makes the unit tones
and the transform's plans.
Run: python tests/benchmarks/bench_tone_grid.py
"""

import time

import numpy as np

from chainweigh.chain.chain import Stage
from chainweigh.measure.coherent import N_ANALYSIS_FRAMES
from chainweigh.measure.tones import measure_tones, tone_grid, tone_signal
from chainweigh.render.chain_run import RunStage, run_frozen

RATE_HZ, PEAK_DBFS, GOAL_S, N_CALLS = 44_100, -0.3, 0.5, 5
EFFECTS = (
    ("eq", {"shape": "low_shelf", "frequency": 90.0, "gain": 3.0}),
    ("eq", {"shape": "peak", "frequency": 3000.0, "gain": -2.0}),
    ("compress", {"threshold": -12.0, "ratio": 2.0}),
    ("clip", {"ceiling": -4.0, "oversample": 8}),
    ("limit", {"ceiling": -5.0}),
)


def stages():
    """The chain with every setting resolved."""
    made = [Stage(name, settings) for name, settings in EFFECTS]
    return [RunStage(stage, stage.completed()) for stage in made]


def steady_grid(chain):
    """All tones made, rendered and measured."""
    grid = tone_grid(RATE_HZ, PEAK_DBFS)
    return measure_tones(run_frozen(chain, tone_signal(grid), RATE_HZ), grid)


def peer():
    """What a script of pedalboard and numpy would do, without a clip 8x."""
    from pedalboard import Compressor, Limiter, LowShelfFilter, PeakFilter, Pedalboard

    board = Pedalboard(
        [
            LowShelfFilter(90.0, 3.0),
            PeakFilter(3000.0, -2.0),
            Compressor(-12.0, 2.0),
            Limiter(-5.0),
        ]
    )
    grid = tone_grid(RATE_HZ, PEAK_DBFS)
    output = board(tone_signal(grid), RATE_HZ)
    for window in grid.segments.windows(output, what="output")[0]:
        assert len(np.abs(np.fft.rfft(window.astype(float))) ** 2) == N_ANALYSIS_FRAMES // 2 + 1


def seconds(job):
    """Elapsed and processor time of one call."""
    wall, processor = time.perf_counter(), time.process_time()
    job()
    return time.perf_counter() - wall, time.process_time() - processor


def main():
    """Print the times and the ratio."""
    chain = stages()
    first, *rest = (seconds(lambda: steady_grid(chain)) for _ in range(N_CALLS))
    wall, processor = min(rest)
    print(f"first call {first[0]:.2f} s elapsed, {first[1]:.2f} s of processor")
    print(f"later      {wall:.2f} s elapsed, {processor:.2f} s of processor (goal {GOAL_S} s)")
    theirs = min(seconds(peer) for _ in range(2))
    print(f"peer       {theirs[0]:.2f} s elapsed, ratio {theirs[0] / wall:.1f}")


if __name__ == "__main__":
    main()
