"""Saturation at 8x against a round trip through soxr VHQ: up, curve, down."""

import numpy as np
import soxr
from bench_clip import difference_db
from loud_programme import RATE_HZ, best_ms, print_row, programme

from chainweigh.effects.base import complete_settings
from chainweigh.effects.saturate import EFFECT

CURVES = {
    "tanh": np.tanh,
    "arctan": lambda u: np.arctan(np.pi / 2 * u) * (2 / np.pi),
    "cubic": lambda u: np.clip(u, -1.5, 1.5) * (1 - 4 / 27 * np.clip(u, -1.5, 1.5) ** 2),
}


def soxr_saturate(samples, curve):
    """Everything up to 8 times the rate, bent, and back."""
    fine = soxr.resample(samples.T, RATE_HZ, 8 * RATE_HZ, quality="VHQ")
    bent = np.asarray(CURVES[curve](2 * fine) / 2, dtype=np.float32)
    return soxr.resample(bent, 8 * RATE_HZ, RATE_HZ, quality="VHQ").T


def main():
    """Print the ratio of each curve and how closely both agree."""
    samples = programme()
    for curve in CURVES:
        settings = complete_settings(EFFECT, {"ceiling": -6.0206, "curve": curve})
        ours_ms, ours = best_ms(lambda s=settings: EFFECT.process(samples, RATE_HZ, s))
        theirs_ms, theirs = best_ms(lambda c=curve: soxr_saturate(samples, c), 1)
        print_row(f"saturate 8x, {curve}", ours_ms, "soxr VHQ", theirs_ms)
        print(f"    difference up to 18 kHz {difference_db(ours, theirs):.1f} dB re the output")


if __name__ == "__main__":
    main()
