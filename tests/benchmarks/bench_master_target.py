"""How far masters get towards -5.5 dB maximum RMS inside the budget, and what limits them.

    python demo/make_song.py
    python tests/benchmarks/bench_master_target.py [--drives DB ...] [--masters NAME ...]

The target, on the demo's mix, dry and after the shipped set: -5.5 dB maximum RMS (300 ms, mean of
channels, re 1.0) at -1 dBTP, every third octave within 1 dB of the mix, and the budget of a ranking
(distortion, disturbed frames and onsets, punch, gain movement). Each master is driven from 1 dB of
depth on; then the depth at which its first limit falls is halved down to 0.2 dB. Columns:
  rms      maximum 300 ms RMS at -1 dBTP, dB
  thdn     distortion that ranks: tones, or the residual where it is over twice theirs, %
  disturb  disturbed frames in the loudest 10 s windows, %
  onsets   disturbed onsets there, %
  punch    loss of the loudest hits, dB
  moved    gain movement, dB
  octave   largest change of a third octave, dB, and the band in Hz
"""

import argparse
import tempfile
from pathlib import Path

from chainweigh.audio.files import read_audio
from chainweigh.chain.chain import Chain, Stage
from chainweigh.chain.files import load_chains, shipped_chains_folder
from chainweigh.chain.values import parse_level
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.settings import Budget, RankSettings
from chainweigh.ranking.weigh import weigh
from chainweigh.ranking.windows import loudest_windows
from chainweigh.render.cache import Cache
from chainweigh.song import load_song, mix_of, sum_of

DEMO = Path(__file__).resolve().parents[2] / "demo" / "song-1"
SET = {"percussion": "Rounded clip"}  # what a ranking of the demo chooses
TARGET_RMS_DB = -5.5
DRIVES_DB = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0)
STEP_DB = 0.2
BUDGET = Budget()
CEILING_DBTP = RankSettings().ceiling_dbtp
LIMITS = {
    "thdn": BUDGET.thdn_programme_pct,
    "disturb": BUDGET.disturbed_pct,
    "onsets": BUDGET.disturbed_onsets_pct,
    "punch": BUDGET.punch_loss_db,
    "moved": BUDGET.gain_movement_db,
    "octave": 1.0,
}


def stage(name, below_hits_db, **settings):
    """A stage with its ceiling that far below the loudest hits that reach it."""
    return Stage(name, {"ceiling": parse_level(f"hits - {below_hits_db:.2f} dB"), **settings})


MASTERS = {
    "limit": lambda d: [stage("limit", d)],
    "clip": lambda d: [stage("clip", d, knee=4.0, oversample=16, true_peak=True)],
    "masked": lambda d: [stage("masked_clip", d)],
    "limit+masked": lambda d: [stage("limit", d / 3), stage("masked_clip", 2 * d / 3)],
    "eq+slow limit+masked": lambda d: [
        Stage("eq", {"shape": "peak", "frequency": 2400.0, "q": 1.2, "gain": 0.08 * d}),
        stage("limit", d / 3, release=400.0),
        stage("masked_clip", 2 * d / 3),
    ],
    "saturate+masked": lambda d: [
        stage("saturate", d / 3, curve="cubic", oversample=16),
        stage("masked_clip", 2 * d / 3),
    ],
}


def mixes(song, cache):
    """The demo's mix, dry and after the shipped set, as what a master is held against."""
    dry = mix_of(song.groups)
    windows = loudest_windows(dry, song.sample_rate_hz)
    yield "dry mix", Reference("master", dry, windows)
    chains = {chain.name: chain for chain in load_chains(shipped_chains_folder())}
    stems = []
    for group in song.groups:
        samples = group.samples
        if group.name in SET:
            reference = Reference(group.name, samples, windows)
            samples = read_audio(weigh(chains[SET[group.name]], reference, cache).audio).samples
        stems.append(samples)
    yield "after the shipped set", Reference("master", sum_of(stems), windows)


def figures(weighed):
    """What the columns show."""
    tones, residual = weighed.tones.thdn_programme_pct, weighed.programme.residual_pct
    return {
        "rms": weighed.file.rms_max_300ms_db - weighed.file.true_peak_dbtp + CEILING_DBTP,
        "thdn": residual if residual > 2 * tones else tones,
        "disturb": weighed.soloed.disturbed_pct,
        "onsets": weighed.soloed.disturbed_onsets_pct,
        "punch": weighed.programme.punch_loss_db,
        "moved": weighed.programme.gain_movement_db,
        "octave": abs(weighed.spectrum.largest_change_db),
    }


class Drive:
    """One master on one mix at rising depth, each depth measured once and printed."""

    def __init__(self, stages_at, reference, cache):
        self._stages_at, self._reference, self._cache = stages_at, reference, cache

    def at(self, depth_db):
        """Figures and broken limits at a depth."""
        chain = Chain("master", "master", "", tuple(self._stages_at(depth_db)))
        weighed = weigh(chain, self._reference, self._cache)
        row, band = figures(weighed), weighed.spectrum.largest_change_hz
        over = [name for name, limit in LIMITS.items() if row[name] > limit]
        cells = "".join(f"{value:9.2f}" for value in row.values())
        print(f"    {depth_db:5.1f}{cells}{band:9.0f}   {', '.join(over) or 'within'}", flush=True)
        return row, over

    def deepest(self, drives_db):
        """Maximum RMS of the deepest drive within, and the limits that fall just beyond it."""
        best_db, inside_db = None, 0.0
        for depth_db in drives_db:
            row, over = self.at(depth_db)
            if over:
                break
            best_db, inside_db = row["rms"], depth_db
        else:
            return best_db, []
        first = over
        while depth_db - inside_db > STEP_DB:
            between_db = (inside_db + depth_db) / 2
            row, over = self.at(between_db)
            if over:
                depth_db, first = between_db, over
            else:
                best_db, inside_db = row["rms"], between_db
        return best_db, first


def main():
    """Print a table a mix and master, then how far each got."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--drives", nargs="*", type=float, default=DRIVES_DB, help="depths in dB")
    parser.add_argument("--masters", nargs="*", choices=MASTERS, default=list(MASTERS))
    options = parser.parse_args()
    song = load_song(DEMO)
    reached = []
    with tempfile.TemporaryDirectory() as folder:
        cache = Cache(Path(folder))
        for mix, reference in mixes(song, cache):
            file = reference.file
            start_db = file.rms_max_300ms_db - file.true_peak_dbtp + CEILING_DBTP
            print(f"{mix}: {start_db:.2f} dB maximum RMS at {CEILING_DBTP:g} dBTP")
            for name in options.masters:
                heads = ("rms", *LIMITS, "at Hz")
                print(f"  {name}\n    depth{''.join(f'{h:>9}' for h in heads)}   limits broken")
                best_db, first = Drive(MASTERS[name], reference, cache).deepest(options.drives)
                reached.append((mix, name, start_db if best_db is None else best_db, first))
    print(f"maximum RMS inside the budget at {CEILING_DBTP:g} dBTP, and what limits it:")
    for mix, name, best_db, first in reached:
        short = f"{best_db - TARGET_RMS_DB:+.1f} dB from {TARGET_RMS_DB:g}"
        print(f"    {mix:24}{name:22}{best_db:7.2f} dB ({short}); {', '.join(first) or 'none yet'}")


if __name__ == "__main__":
    main()
