"""The whole job: 7 bus chains on 3 groups and 3 master chains on a four-minute song.

First the part a script can do too: render, match loudness, read loudness and true peak. Ours with
two threads stands against a plain script of pedalboard and pyloudnorm with one, which is below: its
clips run at the song's rate, ours at 8 or 16 times that; its true peak is a 4x polyphase resampling
by scipy, since neither library reads one. masked_clip takes no part.
Then the same jobs with tones and audibility: steady and ridden tones, distortion on the programme,
NMR soloed and in the dry mix.
Then the command `chainweigh rank` as a user starts it, set, drive ladder, tables and page with it:
an empty cache, the same again from the cache, and the largest resident size.
Goals: 12 times the script; tones and audibility at most treble the time; from the cache 20 times
as fast; memory 4 times the decoded stems and 300 MB. Times on a busy machine say little, ratios
more: both parts of ours are run in turn, five times, and medians are taken.
Run: python tests/benchmarks/bench_whole_job.py [SECONDS]
"""

import os
import shutil
import subprocess
import sys
import tempfile
import time
from itertools import zip_longest
from pathlib import Path
from statistics import median

import numpy as np
import pedalboard
import pyloudnorm
from scipy.signal import resample_poly

from chainweigh.audio.array import from_db
from chainweigh.audio.files import write_wav
from chainweigh.chain.files import load_chains, shipped_chains_folder
from chainweigh.measure.level_match import level_match_db
from chainweigh.measure.loudness import loudness_energies
from chainweigh.measure.true_peak import true_peak_dbtp
from chainweigh.ranking.distortion import measure_heard, measure_programme
from chainweigh.ranking.jobs import no_progress, run_jobs
from chainweigh.ranking.mix import measure_plr_db
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.weigh import render_matched
from chainweigh.ranking.windows import loudest_windows
from chainweigh.render.chain_run import render_chain
from chainweigh.render.tone_bench import bench_tones
from chainweigh.song import load_song, mix_of, sum_of

DEMO = Path(__file__).resolve().parents[2] / "demo" / "song-1"
GROUPS = ("percussion", "sub", "keys")
BUS = (
    "bus-clip-firm",
    "bus-clip-light",
    "bus-clip-then-limit",
    "bus-compress-gentle",
    "bus-compress-into-clip",
    "bus-limit-quick",
    "bus-limit-slow",
)
MASTERS = ("master-calm-and-limit", "master-glue-and-limit", "master-shape-and-limit")
THREADS = 2
RUNS = 5


def write_song(folder, seconds):
    """Three groups of the demo song, repeated to length; the decoded size in bytes."""
    song, size = load_song(DEMO), 0
    for group in song.groups:
        if group.name in GROUPS:
            n_frames = seconds * song.sample_rate_hz
            repeats = -(-n_frames // group.samples.shape[1])
            samples = np.ascontiguousarray(np.tile(group.samples, (1, repeats))[:, :n_frames])
            (folder / group.name).mkdir(parents=True)
            write_wav(folder / group.name / "stem.wav", samples, song.sample_rate_hz)
            size += samples.nbytes
    return size


def write_chains(folder):
    """The chain files of this benchmark, sweeps left out."""
    folder.mkdir()
    for name in (*BUS, *MASTERS):
        shutil.copy(shipped_chains_folder() / f"{name}.toml", folder)
    return load_chains(folder)


def ours(song, chains):
    """Render, match, loudness, true peak of every pair, two threads."""
    mix = mix_of(song.groups)
    pairs = [(g.samples, c) for g in song.groups for c in chains if c.scope == "bus"]
    pairs += [(mix, c) for c in chains if c.scope == "master"]
    rate = song.sample_rate_hz
    sources = (*(group.samples for group in song.groups), mix)
    energies = {id(samples): loudness_energies(samples, rate) for samples in sources}

    def job(samples, chain):
        output = render_chain(chain, samples, rate).samples
        found = loudness_energies(output, rate)
        gain_db = level_match_db(energies[id(samples)], found)
        matched = output * np.float32(from_db(gain_db))
        loudness = found.integrated_lufs() + gain_db
        return loudness, true_peak_dbtp(matched, rate)

    jobs = [lambda s=s, c=c: job(s, c) for s, c in pairs]
    return len(run_jobs(jobs, threads=THREADS, progress=no_progress, what=""))


def ours_judged(song, chains):
    """The same pairs with tones and audibility, two threads."""
    rate, mix = song.sample_rate_hz, mix_of(song.groups)
    windows = loudest_windows(mix, rate)
    references = [Reference(group.name, group.samples, windows) for group in song.groups]
    master = Reference("master", mix, windows)
    cuts = {r.name: windows.cut(r.samples) for r in references}
    rows = [[(r, c) for c in chains if c.scope == "bus"] for r in references]
    rows.append([(master, c) for c in chains if c.scope == "master"])
    pairs = [pair for turn in zip_longest(*rows) for pair in turn if pair]  # as the command does

    def job(reference, chain):
        matched = render_matched(chain, reference)
        plr_db = measure_plr_db(matched.samples, rate, matched.energies)
        driven = reference.tones
        tones = bench_tones(matched.stages, driven.grid, driven.bands, driven.ridden)
        found = measure_programme(reference.programme, matched.samples, matched.energies)
        taken = windows.cut(matched.samples)
        soloed = measure_heard(found.fitted, taken, reference.onsets, windows)
        if reference is master:
            return plr_db, tones, soloed
        others = [cut for name, cut in cuts.items() if name != reference.name]
        mixes = [sum_of([*others, part]) for part in (found.fitted, taken)]
        return plr_db, tones, soloed, measure_heard(*mixes, master.onsets, windows)

    jobs = [lambda r=r, c=c: job(r, c) for r, c in pairs]
    return len(run_jobs(jobs, threads=THREADS, progress=no_progress, what=""))


def script_boards():
    """What a script would use for the same chains."""
    clip = pedalboard.Clipping(threshold_db=-6)
    limiter = pedalboard.BrickwallLimiter(ceiling_db=-6, release_ms=80)
    compressor = pedalboard.Compressor(threshold_db=-18, ratio=2, attack_ms=10, release_ms=100)
    shelf = pedalboard.HighShelfFilter(cutoff_frequency_hz=8000, gain_db=-1)
    peak = pedalboard.PeakFilter(cutoff_frequency_hz=300, gain_db=-1)
    bus = [[clip], [clip], [clip, limiter], [compressor], [compressor, clip], [limiter], [limiter]]
    masters = [[peak, shelf, limiter], [compressor, limiter], [peak, shelf, limiter]]
    return ([pedalboard.Pedalboard(each) for each in boards] for boards in (bus, masters))


def script(song):
    """The same by pedalboard and pyloudnorm, one thread."""
    rate = song.sample_rate_hz
    meter = pyloudnorm.Meter(rate)
    bus, masters = script_boards()
    pairs = [(group.samples, board) for group in song.groups for board in bus]
    mix = mix_of(song.groups)
    pairs += [(mix, board) for board in masters]
    sources = (*(group.samples for group in song.groups), mix)
    dry = {id(samples): meter.integrated_loudness(samples.T) for samples in sources}
    for samples, board in pairs:
        output = board(samples, rate)
        loudness = meter.integrated_loudness(output.T)
        matched = output * 10 ** ((dry[id(samples)] - loudness) / 20)
        20 * np.log10(np.abs(resample_poly(matched, 4, 1, axis=1)).max())
    return len(pairs)


def timed(function, *arguments):
    """What a function took, in s."""
    start = time.perf_counter()
    function(*arguments)
    return time.perf_counter() - start


def rank(folder, out):
    """Time in s and largest resident size in bytes of the command."""
    arguments = ["rank", "song", "--chains", "chains", "--out", out, "--quiet"]
    command = [sys.executable, "-c", "from chainweigh.cli import main; main()", *arguments]
    start = time.perf_counter()
    environment = {**os.environ, "XDG_CACHE_HOME": str(folder / "cache")}
    child = subprocess.Popen(
        [*command, "--threads", str(THREADS)],
        cwd=folder,
        env=environment,
        stdout=subprocess.DEVNULL,
    )
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{command} failed")
    size = usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    return time.perf_counter() - start, size


def main():
    """Print the figures."""
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 240
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        stems = write_song(folder / "song", seconds)
        chains = write_chains(folder / "chains")
        first, size = rank(folder, "first")
        again, _ = rank(folder, "again")
        same = (folder / "first" / "results.json").read_bytes() == (
            folder / "again" / "results.json"
        ).read_bytes()
        song = load_song(folder / "song")
        runs = [(timed(ours, song, chains), timed(ours_judged, song, chains)) for _ in range(RUNS)]
        by_script = timed(script, song)
    plain, judged = (median(part) for part in zip(*runs, strict=True))
    each = ", ".join(f"{judged / plain:.1f}" for plain, judged in runs)
    print(f"{seconds} s song, {len(GROUPS)} groups, 7 bus and 3 master chains")
    print(f"render, match, loudness, true peak: {plain:.1f} s with {THREADS} threads; script")
    print(f"  with one {by_script:.1f} s: {by_script / plain:.1f} times ours (goal 12)")
    print(f"with tones and audibility: {judged:.1f} s, {judged / plain:.1f} times ours (goal 3)")
    print(f"  run by run {each}")
    print(f"whole command, empty cache: {first:.1f} s, {first / plain:.1f} times ours")
    print(f"  from the cache: {again:.1f} s, {first / again:.1f} times as fast (goal 20)")
    print(f"  the same results: {'yes' if same else 'NO'}")
    allowed = 4 * stems + 300e6
    print(f"largest resident size {size / 1e6:.0f} MB (goal {allowed / 1e6:.0f})")


if __name__ == "__main__":
    main()
