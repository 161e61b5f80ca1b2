"""Memory that `chainweigh measure` takes above a four-minute song, alone and against another.

Each command runs as a user would start it, in a process of its own, whose largest resident size the
system reports. What the interpreter and the libraries take is told apart by a run on a song of
6 s. Goal: 200 MB above the songs. Linux and macOS. Run: python tests/benchmarks/bench_memory.py
"""

import os
import subprocess
import sys
import tempfile
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from loud_programme import RATE_HZ, programme

from chainweigh.audio.files import write_wav

SONG_S, SHORT_S = 240, 6
MB = 1e6


def write_pair(folder, seconds):
    """A song, and the same clipped and 37 frames late."""
    song = np.tile(programme(SHORT_S), (1, seconds // SHORT_S))
    write_wav(folder / f"dry-{seconds}.wav", song, RATE_HZ)
    late = np.zeros_like(song)
    late[:, 37:] = np.clip(song[:, :-37], -0.5, 0.5)
    write_wav(folder / f"wet-{seconds}.wav", late, RATE_HZ)


def song_bytes(seconds):
    """Size of a stereo song, decoded."""
    return 2 * 4 * RATE_HZ * seconds


def largest_bytes(*arguments):
    """Largest resident size of one command."""
    start = "from chainweigh.cli import main; main()"
    command = [sys.executable, "-c", start, "measure", "--json", *map(str, arguments)]
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{command} failed")
    return usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024)


def main():
    """Print the figures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for seconds in (SHORT_S, SONG_S):  # a process started from a large one counts as large
            made = get_context("spawn").Process(target=write_pair, args=(folder, seconds))
            made.start()
            made.join()
        for what, n_songs in (("measure", 1), ("measure --against", 2)):
            above = []
            for seconds in (SHORT_S, SONG_S):
                files = [folder / f"wet-{seconds}.wav"]
                if n_songs == 2:
                    files += ["--against", folder / f"dry-{seconds}.wav"]
                above.append((largest_bytes(*files) - n_songs * song_bytes(seconds)) / MB)
            print(
                f"{what:18} {n_songs} x {song_bytes(SONG_S) / MB:.0f} MB of song: "
                f"{above[1]:4.0f} MB above (goal 200); {above[0]:.0f} above one of {SHORT_S} s"
            )


if __name__ == "__main__":
    main()
