"""Compressor on a 240 s stereo song against pedalboard.Compressor, one thread, same run."""

import time
from collections.abc import Callable

import numpy as np
import pedalboard

from chainweigh.effects import effect
from chainweigh.effects.base import complete_settings

RATE_HZ, SECONDS, ROUNDS = 44_100, 240, 5
COMPRESS = effect("compress")


def best_s(run: Callable[[], object]) -> float:
    times = []
    for _ in range(ROUNDS):
        start = time.process_time()
        run()
        times.append(time.process_time() - start)
    return min(times)


def compress(samples: np.ndarray, **given: object) -> np.ndarray:
    settings = complete_settings(COMPRESS, {"threshold": -20.0, "ratio": 4.0, **given})
    return COMPRESS.process(samples, RATE_HZ, settings)


def song() -> np.ndarray:
    drawn = np.random.default_rng(0)
    levels = np.repeat(10 ** (drawn.uniform(-30, 0, SECONDS * 10) / 20), RATE_HZ // 10)
    return (drawn.normal(0, 0.3, (2, RATE_HZ * SECONDS)) * levels).astype(np.float32)


def main() -> None:
    """Print times and ratios; goal of the default detector and link: 3.5."""
    samples = song()
    peer = pedalboard.Compressor(threshold_db=-20, ratio=4, attack_ms=10, release_ms=100)
    peer_s = best_s(lambda: peer(samples, RATE_HZ))
    print(f"pedalboard.Compressor {peer_s * 1e3:6.0f} ms (sides apart)")
    for label, given in (
        ("peak, linked", {}),
        ("peak, sides apart", {"link": 0.0}),
        ("rms, linked", {"detector": "rms"}),
        ("rms, sides apart", {"detector": "rms", "link": 0.0}),
    ):
        own_s = best_s(lambda given=given: compress(samples, **given))
        print(f"{label:21} {own_s * 1e3:6.0f} ms: {peer_s / own_s:.1f} x")


if __name__ == "__main__":
    main()
