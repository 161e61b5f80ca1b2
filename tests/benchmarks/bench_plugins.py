"""A plug-in in a warm worker against the same plug-in in this process; a scan from what is kept.

Goals: a warm worker costs at most 0.15 s a song of 4 minutes more, a scan of 50 files takes under
0.1 s. Builds a test plug-in with cc. Run: python tests/benchmarks/bench_plugins.py
"""

import shutil
import subprocess
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from loud_programme import RATE_HZ, programme

from chainweigh.hosts.find import find_plugin
from chainweigh.hosts.ladspa import LadspaLibrary
from chainweigh.hosts.playing import BLOCK_FRAMES, Player
from chainweigh.hosts.records import RenderJob
from chainweigh.hosts.scan import Scan

SONG_S, N_RUNS, N_FILES, TAIL_FRAMES = 240, 5, 50, RATE_HZ
WORKER_GOAL_S, SCAN_GOAL_S = 0.15, 0.1
SOURCE = Path(__file__).parents[1] / "plugins" / "steady_ladspa.c"


def best_s(work):
    """Least time of a few runs."""
    times = []
    for _ in range(N_RUNS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def in_process(library, samples):
    """What the worker does, without one."""
    n_frames = samples.shape[1]
    job = RenderJob("steady", RATE_HZ, {}, 2, n_frames, TAIL_FRAMES, False, BLOCK_FRAMES)
    player = Player(library, job, lambda stage, frame: None)
    player.open(len(samples))
    player.pre_roll()
    n_output = n_frames + TAIL_FRAMES + player.settled().latency_frames
    output = np.empty((len(samples), n_output), np.float32)
    player.play(samples, output, "processing")
    player.close()


def bench_worker(folder):
    """Print the time of a song in this process, in a warm worker, and in two at once."""
    plugin = find_plugin("steady.so#steady", folder, Scan(folder / "kept"))
    samples = programme(SONG_S)
    library = LadspaLibrary(plugin.path)
    _, facts = plugin.render(samples, {}, sample_rate_hz=RATE_HZ, tail_frames=TAIL_FRAMES)

    def render(alignment=facts.alignment):
        plugin.render(
            samples, {}, sample_rate_hz=RATE_HZ, tail_frames=TAIL_FRAMES, alignment=alignment
        )

    def two_at_once():
        with ThreadPoolExecutor(2) as threads:
            list(threads.map(lambda _: render(), range(2)))

    here_s = best_s(lambda: in_process(library, samples))
    warm_s, first_s, two_s = best_s(render), best_s(lambda: render(None)), best_s(two_at_once)
    print(f"in this process           {here_s:.3f} s")
    print(
        f"in a warm worker          {warm_s:.3f} s  {warm_s / here_s:.2f}x, "
        f"{warm_s - here_s:+.3f} s; goal: at most {WORKER_GOAL_S:+g} s"
    )
    print(f"and aligned, checked      {first_s:.3f} s  {first_s / here_s:.2f}x")
    print(f"two songs, two workers    {two_s:.3f} s  {two_s / warm_s:.2f}x one")


def bench_scan(folder):
    """Print the time of a scan the first time, and from what was kept."""
    files = [("ladspa", folder / f"copy-{number}.so") for number in range(N_FILES)]
    for _, file in files:
        shutil.copy(folder / "steady.so", file)
    start = time.perf_counter()
    Scan(folder / "scan").describe_all(files)
    first_s = time.perf_counter() - start
    kept_s = best_s(lambda: Scan(folder / "scan").describe_all(files))
    print(f"scan of {N_FILES} files          {first_s:.2f} s")
    print(f"again, from what is kept  {kept_s:.3f} s  1/{first_s / kept_s:.0f}", end="")
    print(f"; goal: under {SCAN_GOAL_S:g} s")


def main():
    """Print both."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        command = ["cc", "-D_GNU_SOURCE", "-O1", "-fPIC", "-fvisibility=hidden", "-shared"]
        subprocess.run([*command, SOURCE, "-o", folder / "steady.so", "-lm"], check=True)
        bench_worker(folder)
        bench_scan(folder)


if __name__ == "__main__":
    main()
