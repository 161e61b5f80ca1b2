"""Loudness of a four-minute song against libebur128 (pyebur128) and pyloudnorm, one thread.

Run: python tests/benchmarks/bench_loudness.py
"""

import time
import tracemalloc
from collections.abc import Callable

import numpy as np
import pyebur128

from chainweigh.kernels import native_library
from chainweigh.measure.levels import measure_levels
from chainweigh.measure.loudness import loudness_energies, measure_loudness

RATE = 44_100
SECONDS = 240
REPEATS = 5


def synthetic_song() -> np.ndarray:
    """Noise that follows a beat and a slow swell, stereo."""
    rng = np.random.default_rng(0)
    song = rng.standard_normal((2, RATE * SECONDS), dtype=np.float32)
    time_s = np.arange(RATE * SECONDS, dtype=np.float32) / RATE
    song *= 0.15 * np.exp(-3 * (time_s % 0.5)) * (0.3 + 0.7 * np.sin(np.pi * time_s / SECONDS))
    return song


def best_ms(job: Callable[[], object]) -> float:
    """Shortest of several runs: the one least disturbed by other programs."""
    times = []
    for _ in range(REPEATS):
        begin = time.perf_counter()
        job()
        times.append(time.perf_counter() - begin)
    return 1000 * min(times)


def peer_loudness(interleaved: np.ndarray) -> tuple[float, ...]:
    """I, largest M and S at a 100 ms hop, and LRA."""
    modes = (
        pyebur128.MeasurementMode.MODE_I
        | pyebur128.MeasurementMode.MODE_S
        | pyebur128.MeasurementMode.MODE_LRA
    )
    state = pyebur128.R128State(2, RATE, modes)
    n_hop = RATE // 10
    momentary, short_term = [], []
    for start in range(0, len(interleaved), 2 * n_hop):
        chunk = interleaved[start : start + 2 * n_hop]
        state.add_frames(chunk, len(chunk) // 2)
        momentary.append(pyebur128.get_loudness_momentary(state))
        short_term.append(pyebur128.get_loudness_shortterm(state))
    integrated = pyebur128.get_loudness_global(state)
    return integrated, max(momentary), max(short_term), pyebur128.get_loudness_range(state)


def peer_integrated_and_range(interleaved: np.ndarray) -> tuple[float, float]:
    """I and LRA alone, the whole song in one call: the least work the peer can do."""
    modes = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_LRA
    state = pyebur128.R128State(2, RATE, modes)
    state.add_frames(interleaved, len(interleaved) // 2)
    return pyebur128.get_loudness_global(state), pyebur128.get_loudness_range(state)


def peak_memory_mb(job: Callable[[], object]) -> float:
    """Most memory that a job holds at once, beyond what stood before."""
    tracemalloc.start()
    job()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def main() -> None:
    """Print times and ratios."""
    song = synthetic_song()
    print(f"compiled kernels: {native_library.compiled}")
    print(f"song: {song.nbytes / 1e6:.0f} MB")
    print(
        f"memory above it, loudness: {peak_memory_mb(lambda: measure_loudness(song, RATE)):.0f} MB"
    )
    print(f"memory above it, levels: {peak_memory_mb(lambda: measure_levels(song, RATE)):.0f} MB")

    interleaved = np.ascontiguousarray(song.T).ravel()
    ours = best_ms(lambda: measure_loudness(song, RATE))
    peer = best_ms(lambda: peer_loudness(interleaved))
    least = best_ms(lambda: peer_integrated_and_range(interleaved))
    print(f"I + M + S + LRA: {ours:.1f} ms (M and S at 10 ms hops)")
    print(f"  libebur128, M and S at 100 ms hops: {peer:.0f} ms, ratio {peer / ours:.1f}")
    print(f"  libebur128, I + LRA only, one call: {least:.0f} ms, ratio {least / ours:.1f}")

    from pyloudnorm import Meter

    meter, wide = Meter(RATE, filter_class="DeMan"), song.T.astype(np.float64)
    integrated = best_ms(lambda: loudness_energies(song, RATE).integrated_lufs())
    peer = best_ms(lambda: meter.integrated_loudness(wide))
    print(f"I: {integrated:.1f} ms; pyloudnorm {peer:.0f} ms, ratio {peer / integrated:.1f}")

    energies = loudness_energies(song, RATE)
    energies.integrated_lufs()
    tries = best_ms(lambda: [energies.integrated_lufs(0.01 * i) for i in range(100)]) / 100
    print(f"a further gain on cached energies: {1000 * tries:.0f} us")

    levels = best_ms(lambda: measure_levels(song, RATE))
    numpy_peak = best_ms(lambda: np.abs(song).max())
    print(f"levels: {levels:.1f} ms; numpy's sample peak alone {numpy_peak:.1f} ms")


if __name__ == "__main__":
    main()
