"""Compressors on a loud stereo song against pedalboard.Compressor, one thread, same run."""

from functools import partial

import numpy as np
import pedalboard
from loud_programme import RATE_HZ, best_ms, print_row, programme

from chainweigh.effects import effect
from chainweigh.effects.base import complete_settings

SECONDS = 240
CASES = (
    ("peak, linked", "compress", {}, 3.5),
    ("peak, sides apart", "compress", {"link": 0.0}, 3.5),
    ("rms, linked", "compress", {"detector": "rms"}, 3.5),
    ("rms, sides apart", "compress", {"detector": "rms", "link": 0.0}, 3.5),
    ("peak, 5 ms ahead", "compress", {"lookahead": 5.0}, None),
    ("peak, detector low cut", "compress", {"detector_low_cut": 100.0}, None),
    ("3 bands", "compress_bands", {"split_1": 120.0, "split_2": 3000.0}, None),
)


def processed(samples: np.ndarray, name: str, given: dict[str, object]) -> np.ndarray:
    found = effect(name)
    bands = ("_1", "_2", "_3") if name == "compress_bands" else ("",)
    worked = {f"{key}{b}": v for b in bands for key, v in (("threshold", -20.0), ("ratio", 4.0))}
    return found.process(samples, RATE_HZ, complete_settings(found, {**worked, **given}))


def main() -> None:
    """Print times and ratios; goal of one band: 3.5."""
    samples = programme(SECONDS)
    peer = pedalboard.Compressor(threshold_db=-20, ratio=4, attack_ms=10, release_ms=100)
    peer_ms, _ = best_ms(partial(peer, samples, RATE_HZ))
    for label, name, given, goal in CASES:
        ours_ms, _ = best_ms(partial(processed, samples, name, given))
        print_row(label, ours_ms, "pedalboard.Compressor", peer_ms, goal)


if __name__ == "__main__":
    main()
