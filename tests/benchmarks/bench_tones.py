"""Cost of the tone measures, as ratios to plain numpy doing the same in the same run.

Peers: for the grid, one tone after another made by numpy.sin and read by a numpy.fft.rfft each in a
Python loop; for band energies, ten Butterworth band-passes by scipy.signal.sosfilt.
Run as a script: python tests/benchmarks/bench_tones.py
"""

from itertools import pairwise
from time import perf_counter

import numpy as np

from chainweigh.measure.coherent import N_ANALYSIS_FRAMES
from chainweigh.measure.reference_bands import band_edges_hz, reference_bands
from chainweigh.measure.ridden_tones import ridden_tones, thdn_ridden_pct
from chainweigh.measure.tone_weights import thdn_steady_pct
from chainweigh.measure.tones import measure_tones, tone_grid, tone_signal

RATE = 44_100
SONG_S = 240
N_REPEATS = 5


def best_s(work, n_repeats=N_REPEATS):
    """Shortest of several runs, in seconds, after one that warms caches up."""
    work()
    times = []
    for _ in range(n_repeats):
        start = perf_counter()
        work()
        times.append(perf_counter() - start)
    return min(times)


def plain_signal(grid):
    time = np.arange(grid.segments.n_segment_frames)
    tones = [
        10 ** (level_dbfs / 20) * np.sin(2 * np.pi * k * time / N_ANALYSIS_FRAMES)
        for k, level_dbfs in grid.tones
    ]
    return np.concatenate(tones).astype(np.float32)[None]


def plain_thdn(output, grid):
    readings = []
    for i, (k, _) in enumerate(grid.tones):
        start = i * grid.segments.n_segment_frames + grid.segments.n_settle_frames
        spectrum = np.fft.rfft(output[0, start : start + N_ANALYSIS_FRAMES].astype(float))
        frequency_hz = np.fft.rfftfreq(N_ANALYSIS_FRAMES, 1 / grid.sample_rate_hz)
        power = np.abs(spectrum) ** 2
        band = (frequency_hz >= 20) & (frequency_hz <= 20_000)
        bins = np.arange(len(power))
        total = power[band].sum()
        harmonics = power[band & (bins % k == 0) & (bins > k)].sum()
        rest = power[band & (bins != k)].sum()
        readings.append(100 * np.sqrt(np.array([rest, harmonics, rest - harmonics]) / total))
    return np.array(readings)


def plain_band_energies(samples):
    from scipy.signal import butter, sosfilt

    edges = band_edges_hz(RATE)
    n_blocks = samples.shape[1] // 441
    energies = []
    for low_hz, high_hz in pairwise(edges):
        sections = butter(4, [low_hz, high_hz], btype="band", output="sos", fs=RATE)
        band = sosfilt(sections, samples.astype(np.float64), axis=1)
        squares = np.square(band[:, : n_blocks * 441]).reshape(2, n_blocks, 441)
        energies.append(squares.sum(axis=(0, 2)))
    return np.array(energies)


def report(name, ours_s, peer_s, peer):
    ratio = peer_s / ours_s
    print(f"{name:34} {ours_s * 1e3:8.1f} ms {peer_s * 1e3:9.1f} ms  {ratio:6.1f}x of {peer}")


def main():
    """Print each measure's time, its peer's, and the ratio."""
    grid = tone_grid(RATE, -0.3)
    signal = tone_signal(grid)
    output = np.clip(signal, -0.5, 0.5)
    rng = np.random.default_rng(1)
    song = (0.1 * rng.standard_normal((2, SONG_S * RATE))).astype(np.float32)
    print(f"grid of {len(grid.tones)} tones, {grid.n_frames / RATE:.0f} s; song of {SONG_S} s")
    make_s, peer_make_s = best_s(lambda: tone_signal(grid)), best_s(lambda: plain_signal(grid), 2)
    read_s = best_s(lambda: measure_tones(output, grid))
    peer_read_s = best_s(lambda: plain_thdn(output, grid), 2)
    report("grid signal", make_s, peer_make_s, "numpy.sin, tone by tone")
    report("grid analysis", read_s, peer_read_s, "numpy.fft, tone by tone")
    report("grid signal and analysis", make_s + read_s, peer_make_s + peer_read_s, "both")
    bands_s = best_s(lambda: reference_bands(song, RATE), 3)
    report(
        "band energies of the song", bands_s, best_s(lambda: plain_band_energies(song), 1), "sos"
    )
    bands = reference_bands(song, RATE)
    results = measure_tones(output, grid)
    ridden = ridden_tones(song, bands)
    print(f"weighting   {best_s(lambda: thdn_steady_pct(results, bands)) * 1e3:8.1f} ms")
    print(f"ridden, make {best_s(lambda: ridden_tones(song, bands)) * 1e3:7.1f} ms")
    print(f"ridden, read {best_s(lambda: thdn_ridden_pct(ridden.signal, ridden)) * 1e3:7.1f} ms")


if __name__ == "__main__":
    main()
