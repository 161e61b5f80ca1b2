"""Four EQ bands on a 240 s stereo song against pedalboard's filters, one thread, same run."""

import time
from collections.abc import Callable

import numpy as np
import pedalboard

from chainweigh.effects import effect
from chainweigh.effects.base import complete_settings
from chainweigh.effects.eq import process_bands

RATE_HZ, SECONDS, ROUNDS = 44_100, 240, 5
EQ = effect("eq")
BANDS = [
    complete_settings(EQ, {"shape": "low_shelf", "frequency": 100, "gain": 2}),
    complete_settings(EQ, {"shape": "peak", "frequency": 400, "gain": -2, "q": 1}),
    complete_settings(EQ, {"shape": "peak", "frequency": 3000, "gain": 2, "q": 1}),
    complete_settings(EQ, {"shape": "high_shelf", "frequency": 9000, "gain": 2}),
]


def best_s(run: Callable[[], object]) -> float:
    times = []
    for _ in range(ROUNDS):
        start = time.process_time()
        run()
        times.append(time.process_time() - start)
    return min(times)


def stages(samples: np.ndarray, bands: list[dict[str, object]]) -> np.ndarray:
    for band in bands:
        samples = EQ.process(samples, RATE_HZ, band)
    return samples


def main() -> None:
    """Print times and ratios; goal of the bands in one go: 8."""
    samples = np.random.default_rng(0).normal(0, 0.1, (2, RATE_HZ * SECONDS)).astype(np.float32)
    peer = pedalboard.Pedalboard(
        [
            pedalboard.LowShelfFilter(100, 2, 0.7071),
            pedalboard.PeakFilter(400, -2, 1),
            pedalboard.PeakFilter(3000, 2, 1),
            pedalboard.HighShelfFilter(9000, 2, 0.7071),
        ]
    )
    peer_s = best_s(lambda: peer(samples, RATE_HZ))
    one_peer_s = best_s(lambda: peer[1](samples, RATE_HZ))
    error = np.abs(process_bands(samples, RATE_HZ, BANDS) - peer(samples, RATE_HZ)).max()
    print(f"pedalboard, 4 filters  {peer_s * 1e3:6.0f} ms; largest difference {error:.1e}")
    for label, run, against_s in (
        ("4 bands in one go", lambda: process_bands(samples, RATE_HZ, BANDS), peer_s),
        ("4 stages in turn", lambda: stages(samples, BANDS), peer_s),
        ("1 stage (re 1 filter)", lambda: stages(samples, BANDS[1:2]), one_peer_s),
    ):
        own_s = best_s(run)
        print(f"{label:22} {own_s * 1e3:6.0f} ms: {against_s / own_s:.1f} x")
    ring = np.zeros_like(samples)
    ring[:, 0] = 1
    loud_s = best_s(lambda: process_bands(samples, RATE_HZ, BANDS))
    silent_s = best_s(lambda: process_bands(ring, RATE_HZ, BANDS))
    print(f"silence after an impulse takes {silent_s / loud_s:.2f} of the time of noise")


if __name__ == "__main__":
    main()
