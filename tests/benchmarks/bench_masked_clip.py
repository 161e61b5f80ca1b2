"""The masked clip against the 16x clip at equal true-peak gain, on a song's groups.

    python demo/make_song.py
    python tests/benchmarks/bench_masked_clip.py [SONG ...]

Columns, clip then masked clip:
  worst    noise-to-mask ratio of the worst frame, dB (measure_against)
  disturb  disturbed frames, % (measure_against)
  before   error 5 to 20 ms before onsets, dBFS rms, the waveform's change itself
  fitted   the same of the residual, tone and slow gain explained
  short    noise-to-mask ratio of the worst of 512-frame windows, dB: the waveform's change itself,
           bands of one Bark, spreading after Schroeder, mask 6 dB below; not what is minimised
  punch    attack of the loud hits, dB
"""

import sys
import time
from pathlib import Path

import numpy as np
from scipy.fft import rfft

from chainweigh.audio.array import from_db, to_db
from chainweigh.effects import clip, masked_clip
from chainweigh.measure.comparison import measure_against
from chainweigh.measure.frames import framed, hann
from chainweigh.measure.loudness import loudness_energies
from chainweigh.measure.onsets import find_onsets
from chainweigh.measure.residual import fit_reference
from chainweigh.measure.true_peak import true_peak_dbtp
from chainweigh.song import load_song

DEMO = Path(__file__).resolve().parents[2] / "demo"
GAINS_DB = (2.0, 3.0)
SHORT = 512
NOTHING_DBFS = -200.0


def run(effect, samples, rate_hz, ceiling_dbfs):
    """An effect with its defaults; the clip at 16 times the rate."""
    changed = {"ceiling": ceiling_dbfs} | ({"oversample": 16} if effect is clip.EFFECT else {})
    settings = {p.name: p.default for p in effect.parameters} | changed
    return effect.process(samples, rate_hz, settings)


def plr_db(samples, rate_hz):
    """True peak over integrated loudness."""
    return true_peak_dbtp(samples, rate_hz) - loudness_energies(samples, rate_hz).integrated_lufs()


def at_gain(effect, samples, rate_hz, gain_db):
    """Output at the ceiling that lowers peak to loudness by gain_db, to 0.01 dB."""
    start, top = plr_db(samples, rate_hz), true_peak_dbtp(samples, rate_hz)
    depth_db = gain_db
    for _ in range(12):
        out = run(effect, samples, rate_hz, top - depth_db)
        left_db = gain_db - (start - plr_db(out, rate_hz))
        if abs(left_db) < 0.01:
            break
        depth_db += left_db
    return out, top - depth_db


def before_onsets_dbfs(error, rate_hz, onsets_s):
    """Rms 5 to 20 ms before onsets."""
    parts = [
        error[:, round((t - 0.02) * rate_hz) : round((t - 0.005) * rate_hz)]
        for t in onsets_s
        if t > 0.02
    ]
    power = np.mean([np.mean(np.square(p, dtype=np.float64)) for p in parts]) if parts else 0.0
    return max(10 * np.log10(power), NOTHING_DBFS) if power else NOTHING_DBFS


def short_nmr_db(samples, error, rate_hz):
    """Worst short window: error over spread programme, mean over Bark bands."""
    bark = 7 * np.arcsinh(np.arange(SHORT // 2 + 1) * rate_hz / SHORT / 650)
    band = bark.astype(int)
    inside = np.eye(band.max() + 1)[band]
    away = np.arange(band.max() + 1)[None] - np.arange(band.max() + 1)[:, None] + 0.474
    spread = 10 ** ((15.81 + 7.5 * away - 17.5 * np.sqrt(1 + away**2)) / 10)
    worst = 0.0
    for x, e in zip(samples, error, strict=True):
        power, noise = (
            np.abs(rfft(framed(s, SHORT, SHORT // 4) * hann(SHORT))) ** 2 @ inside for s in (x, e)
        )
        quiet = power.sum(axis=1) < 1e-5 * power.sum(axis=1).max()
        mask = 10**-0.6 * (power @ spread) + 1e-10 * power.sum(axis=1).max()
        worst = max(worst, float((noise / mask).mean(axis=1)[~quiet].max()))
    return to_db(worst) / 2 if worst else NOTHING_DBFS


def figures(samples, out, rate_hz, onsets_s):
    """What the columns show."""
    found = measure_against(samples, out, sample_rate_hz=rate_hz)
    matched = out * np.float32(from_db(found.match_gain_db))
    residual = matched - fit_reference(samples, matched, sample_rate_hz=rate_hz).samples
    error = out - samples
    return (
        found.audibility.nmr_worst_db,
        found.audibility.disturbed_pct,
        before_onsets_dbfs(error, rate_hz, onsets_s),
        before_onsets_dbfs(residual, rate_hz, onsets_s),
        short_nmr_db(samples, error, rate_hz),
        found.punch.punch_change_db or 0.0,
    )


def main():
    """Print a row a group and gain."""
    folders = [Path(a) for a in sys.argv[1:]] or sorted(DEMO.glob("song-*"))
    print(__doc__)
    heads = ("worst", "disturb", "before", "fitted", "short", "punch")
    print(f"{'group':12}{'gain':>5}" + "".join(f"{h:>16}" for h in heads) + f"{'real time':>12}")
    for folder in folders:
        song = load_song(folder)
        print(song.title)
        for group in song.groups:
            rate_hz, samples = song.sample_rate_hz, group.samples
            onsets_s = find_onsets(samples, rate_hz).times_s
            for gain_db in GAINS_DB:
                plain, _ = at_gain(clip.EFFECT, samples, rate_hz, gain_db)
                hidden, ceiling_dbfs = at_gain(masked_clip.EFFECT, samples, rate_hz, gain_db)
                begin = time.process_time()
                run(masked_clip.EFFECT, samples, rate_hz, ceiling_dbfs)
                speed = samples.shape[1] / rate_hz / (time.process_time() - begin)
                pairs = zip(
                    figures(samples, plain, rate_hz, onsets_s),
                    figures(samples, hidden, rate_hz, onsets_s),
                    strict=True,
                )
                cells = "".join(f"{a:8.1f}{b:8.1f}" for a, b in pairs)
                print(f"{group.name:12}{gain_db:5.1f}{cells}{speed:11.0f}x", flush=True)


if __name__ == "__main__":
    main()
