"""Louder and cleaner, measured: the built-in clip, masked_clip and limit against pedalboard's.

    python demo/make_song.py
    python tests/benchmarks/bench_louder_cleaner.py [--groups NAME ...] [--depths DB ...]

Each of the demo's groups and its mix, in their loudest 10 s, is made louder by the same amount
with each processor: its threshold is solved for a fall of the peak-to-loudness ratio (precise true
peak less integrated loudness) of the depth, to 0.02 dB. Columns:
  thdn     thdn_programme: tones driven as the programme drives them, %
  nmr      noise-to-mask ratio of the worst frame after ITU-R BS.1387, dB
  disturb  disturbed frames, %
  punch    loss of the loudest hits, dB; n/a where there are none
Every limiter looks 5 ms ahead and lets go in 80 ms; "held" keeps its reduction for another 5 ms
first, so that a low note does not move it. A processor that does not get that far is said not to.
The last lines count the points at which the best built-in beats, equals or loses to the best peer.
"""

import argparse
from pathlib import Path

import numpy as np
import pedalboard

from chainweigh.effects import effect
from chainweigh.measure.comparison import measure_against
from chainweigh.measure.loudness import loudness_energies
from chainweigh.measure.ridden_tones import thdn_ridden_pct
from chainweigh.measure.sections import loudest_section
from chainweigh.measure.tone_weights import programme_distortion
from chainweigh.measure.tones import measure_tones, tone_signal
from chainweigh.measure.true_peak import true_peak_dbtp
from chainweigh.ranking.reference import tones_of
from chainweigh.song import load_song, mix_of

DEMO = Path(__file__).resolve().parents[2] / "demo" / "song-1"
DEPTHS_DB = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
MEASURES = ("thdn", "nmr", "disturb", "punch")
UNITS = ("%", "dB", "%", "dB")
SAME = 0.005  # closer than this is a draw
SOLVED_DB = 0.02
REACH_DB = 24.0  # of the threshold, above and below the true peak
LOOKAHEAD_MS, RELEASE_MS = 5.0, 80.0  # of every limiter


def built_in(name, **changed):
    """A built-in effect at a ceiling, other settings as given or their defaults."""
    found = effect(name)
    defaults = {p.name: p.default for p in found.parameters}

    def process(samples, rate_hz, ceiling_dbfs):
        return found.process(samples, rate_hz, {**defaults, **changed, "ceiling": ceiling_dbfs})

    return process


def peer(make):
    """A pedalboard plug-in at a threshold."""

    def process(samples, rate_hz, threshold_db):
        return make(threshold_db).process(samples, rate_hz)

    return process


OURS = {
    "clip": built_in("clip", oversample=16),
    "masked_clip": built_in("masked_clip"),
    "limit": built_in("limit", lookahead=LOOKAHEAD_MS, release=RELEASE_MS),
    "limit, held": built_in("limit", lookahead=LOOKAHEAD_MS, hold=LOOKAHEAD_MS, release=RELEASE_MS),
}
PEERS = {
    "Clipping": peer(pedalboard.Clipping),
    "Limiter": peer(lambda level_db: pedalboard.Limiter(level_db, RELEASE_MS)),
    "BrickwallLimiter": peer(
        lambda level_db: pedalboard.BrickwallLimiter(level_db, RELEASE_MS, LOOKAHEAD_MS, True)
    ),
}


def plr_db(samples, rate_hz):
    """True peak over integrated loudness."""
    return true_peak_dbtp(samples, rate_hz) - loudness_energies(samples, rate_hz).integrated_lufs()


def solve_threshold(process, samples, rate_hz, depth_db):
    """Threshold and output at which the peak-to-loudness ratio falls by the depth; or None."""
    start, top = plr_db(samples, rate_hz), true_peak_dbtp(samples, rate_hz)

    def fall_db(below_db):
        out = process(samples, rate_hz, top - below_db)
        return start - plr_db(out, rate_hz), out

    low, high, below = (-REACH_DB, 0.0), None, depth_db
    for _ in range(14):
        fallen, out = fall_db(below)
        if abs(fallen - depth_db) <= SOLVED_DB:
            return top - below, out
        if fallen < depth_db:
            low = (below, fallen)
        else:
            high = (below, fallen)
        if high is None:
            below = below + 1.3 * (depth_db - fallen) + 0.05
            if below > REACH_DB:
                return None
        else:
            share = (depth_db - low[1]) / (high[1] - low[1])
            below = low[0] + min(max(share, 0.05), 0.95) * (high[0] - low[0])
    return None


def thdn_pct(process, driven, rate_hz, threshold_db):
    """thdn_programme of a processor, driven by the programme's tones."""
    grid, ridden = driven.grid, driven.ridden
    steady = measure_tones(process(tone_signal(grid), rate_hz, threshold_db), grid)
    carried = None
    if ridden.n_windows:
        carried = thdn_ridden_pct(process(ridden.signal, rate_hz, threshold_db), ridden)
    return programme_distortion(steady, driven.bands, carried).thdn_programme_pct


def figures(process, samples, rate_hz, driven, depth_db):
    """What the columns show; None where the depth is not reached."""
    solved = solve_threshold(process, samples, rate_hz, depth_db)
    if solved is None:
        return None
    threshold_db, out = solved
    found = measure_against(samples, out, sample_rate_hz=rate_hz)
    return (
        thdn_pct(process, driven, rate_hz, threshold_db),
        found.audibility.nmr_worst_db,
        found.audibility.disturbed_pct,
        found.punch.punch_loss_db,
    )


def programmes(wanted):
    """Name and loudest 10 s of each of the demo's groups and of its mix."""
    song = load_song(DEMO)
    rate_hz = song.sample_rate_hz
    parts = {g.name: g.samples for g in song.groups} | {"mix": mix_of(song.groups)}
    for name, samples in parts.items():
        if not wanted or name in wanted:
            start, end = (round(t * rate_hz) for t in loudest_section(samples, rate_hz))
            yield name, np.ascontiguousarray(samples[:, start:end]), rate_hz


def print_row(name, found):
    """One processor's figures."""
    if found is None:
        print(f"    {name:18}does not reach this depth")
        return
    cells = "".join(f"{'n/a':>10}" if v is None else f"{v:10.2f}" for v in found)
    print(f"    {name:18}{cells}", flush=True)


def compare(ours, peers, counts):
    """Count the best built-in against the best peer in each measure."""
    for i, name in enumerate(MEASURES):
        best = [
            min((f[i] for f in side if f is not None and f[i] is not None), default=None)
            for side in (ours, peers)
        ]
        if best[0] is None and best[1] is None:
            continue
        if best[1] is None or (best[0] is not None and best[0] < best[1] - SAME):
            counts[name][0] += 1
        elif best[0] is not None and best[0] <= best[1] + SAME:
            counts[name][1] += 1
        else:
            counts[name][2] += 1


def main():
    """Print a table a group and depth, and the count."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--groups", nargs="*", default=(), help="the demo's groups, or mix")
    parser.add_argument("--depths", nargs="*", type=float, default=DEPTHS_DB, help="in dB")
    options = parser.parse_args()
    counts = {name: [0, 0, 0] for name in MEASURES}
    heads = "".join(f"{f'{m} {u}':>10}" for m, u in zip(MEASURES, UNITS, strict=True))
    for name, samples, rate_hz in programmes(options.groups):
        driven = tones_of(samples, rate_hz)
        for depth_db in options.depths:
            print(f"{name}, {depth_db:g} dB\n{'':22}{heads}")
            rows = {}
            for label, process in {**OURS, **PEERS}.items():
                rows[label] = figures(process, samples, rate_hz, driven, depth_db)
                print_row(label, rows[label])
            compare([rows[n] for n in OURS], [rows[n] for n in PEERS], counts)
    print("points at which the best built-in is better than, equal to, worse than the best peer:")
    for name, (won, drawn, lost) in counts.items():
        print(f"    {name:8}{won:4}{drawn:4}{lost:4}")


if __name__ == "__main__":
    main()
