"""True peak, alone and with loudness, against libebur128 (pyebur128) on four minutes of stereo.

One thread. Like with like is "annex2": 4x, as libebur128 does.
Run: python tests/benchmarks/bench_true_peak.py
"""

import sys
from pathlib import Path

import numpy as np
import pyebur128
from loud_programme import RATE_HZ, best_ms, print_row, programme, tone

from chainweigh.measure.loudness import loudness_energies
from chainweigh.measure.true_peak import measure_true_peak, true_peak, true_peak_dbtp

SECONDS = 240
GOAL = 30


def demo_song():
    """The mix of the first demo song, over and over."""
    sys.path.insert(0, str(Path(__file__).parents[2] / "demo"))
    from make_song import SONGS, stems

    mix = sum(track * np.ones((2, 1)) for track in stems(SONGS[0]).values())
    n_frames = SECONDS * RATE_HZ
    return np.tile(mix.astype(np.float32), (1, -(-n_frames // mix.shape[1])))[:, :n_frames].copy()


def stepped_noise():
    """White noise whose level steps by up to 20 dB every 3 s."""
    rng = np.random.default_rng(1)
    noise = rng.standard_normal((2, SECONDS * RATE_HZ), dtype=np.float32)
    steps = 10 ** (rng.uniform(-40, -20, SECONDS // 3) / 20)
    noise *= np.repeat(steps, 3 * RATE_HZ).astype(np.float32)
    return noise


def libebur128_all(interleaved):
    """Integrated loudness, range and true peak, the whole song in one call."""
    mode = pyebur128.MeasurementMode
    state = pyebur128.R128State(2, RATE_HZ, mode.MODE_I | mode.MODE_LRA | mode.MODE_TRUE_PEAK)
    state.add_frames(interleaved, len(interleaved) // 2)
    loudness = pyebur128.get_loudness_global(state), pyebur128.get_loudness_range(state)
    return *loudness, max(pyebur128.get_true_peak(state, c) for c in range(2))


def interleaved(samples):
    """Samples as the peer takes them."""
    return np.ascontiguousarray(samples.T).ravel()


def all_three(samples, mode):
    """The same by chainweigh."""
    energies = loudness_energies(samples, RATE_HZ)
    return energies.integrated_lufs(), energies.range_lu(), true_peak(samples, RATE_HZ, mode=mode)


def libebur128(interleaved, n_channels):
    """Largest true peak over channels, dBTP."""
    state = pyebur128.R128State(n_channels, RATE_HZ, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(interleaved, len(interleaved) // n_channels)
    peaks = [pyebur128.get_true_peak(state, c) for c in range(n_channels)]
    return 20 * np.log10(max(peaks))


def main():
    """Print the ratios."""
    song, noise = demo_song(), stepped_noise()
    for name, samples in (("demo song", song), ("stepped noise", noise)):
        wide = interleaved(samples)
        theirs_ms, theirs = best_ms(lambda s=wide: libebur128_all(s))
        for mode in ("annex2", "precise"):
            ours_ms, ours = best_ms(lambda s=samples, m=mode: all_three(s, m))
            print_row(
                f"I + LRA + true peak, {mode}, {name}", ours_ms, "libebur128", theirs_ms, GOAL
            )
        print(f"    {ours[0]:.3f} against {theirs[0]:.3f} LUFS")
    kinds = {"demo song": song, "made-up programme": programme(SECONDS), "sine": tone(SECONDS)}
    for name, samples in (*kinds.items(), ("stepped noise", noise)):
        wide, n_channels = interleaved(samples), len(samples)
        theirs_ms, theirs_db = best_ms(lambda s=wide, n=n_channels: libebur128(s, n))
        for mode in ("annex2", "precise"):
            ours_ms, _ = best_ms(lambda s=samples, m=mode: true_peak(s, RATE_HZ, mode=m))
            print_row(f"true peak, {mode}, {name}", ours_ms, "libebur128", theirs_ms)
            ours_db = true_peak_dbtp(samples, RATE_HZ, mode=mode)
            print(f"    {ours_db:.3f} against {theirs_db:.3f} dBTP")
        ours_ms, _ = best_ms(lambda s=samples: measure_true_peak(s, RATE_HZ))
        print_row(f"all peak measures, {name}", ours_ms, "libebur128", theirs_ms)


if __name__ == "__main__":
    main()
