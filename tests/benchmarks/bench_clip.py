"""Clip at 8x against a round trip through soxr VHQ: up, clip, down."""

import numpy as np
import soxr
from loud_programme import RATE_HZ, best_ms, print_row, programme, tone

from chainweigh.effects.clip import EFFECT


def clip(samples, ceiling_dbfs, **changed):
    """The effect with its defaults."""
    settings = {p.name: p.default for p in EFFECT.parameters} | {"ceiling": ceiling_dbfs} | changed
    return EFFECT.process(samples, RATE_HZ, settings)


def soxr_clip(samples, ceiling_dbfs):
    """Everything up to 8 times the rate, clipped, and back."""
    ceiling = 10 ** (ceiling_dbfs / 20)
    fine = soxr.resample(samples.T, RATE_HZ, 8 * RATE_HZ, quality="VHQ")
    np.clip(fine, -ceiling, ceiling, out=fine)
    return soxr.resample(fine, 8 * RATE_HZ, RATE_HZ, quality="VHQ").T


def difference_db(ours, theirs):
    """Level of the difference re the output, both below 18 kHz, a second at each end left out."""
    inside = slice(RATE_HZ, 31 * RATE_HZ)
    spectra = [np.fft.rfft(signal[:, inside].astype(np.float64)) for signal in (ours, theirs)]
    kept = slice(0, 30 * 18000)
    apart = np.abs(spectra[0][:, kept] - spectra[1][:, kept]) ** 2
    return 10 * np.log10(apart.sum() / (np.abs(spectra[1][:, kept]) ** 2).sum())


def main():
    """Print the ratios and how closely both agree."""
    cases = [
        ("programme, 2 dB", programme(), -2.0, 15),
        ("programme, 6 dB", programme(), -6.0, 15),
        ("every block active, stereo", np.tile(tone(), (2, 1)), -6.0, 4),
        ("every block active, mono", tone(), -6.0, 4),
    ]
    for name, samples, ceiling_dbfs, goal in cases:
        ours_ms, ours = best_ms(lambda s=samples, c=ceiling_dbfs: clip(s, c))
        theirs_ms, theirs = best_ms(lambda s=samples, c=ceiling_dbfs: soxr_clip(s, c))
        print_row(f"clip 8x, {name}", ours_ms, "soxr VHQ", theirs_ms, goal)
        print(f"    difference up to 18 kHz {difference_db(ours, theirs):.1f} dB re the output")
    samples = tone(240)
    for oversample in (1, 2, 4, 8, 16, 32):
        ours_ms, _ = best_ms(lambda o=oversample: clip(samples, -6.0, oversample=o), 2)
        print(f"clip {oversample}x, 240 s of mono tone: {ours_ms:.0f} ms")


if __name__ == "__main__":
    main()
