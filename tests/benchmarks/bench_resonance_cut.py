"""Resonance cut against a bare transform there and back: scipy.signal's ShortTimeFFT."""

import numpy as np
from loud_programme import RATE_HZ, best_ms, print_row, programme
from scipy.signal import ShortTimeFFT

from chainweigh.effects.base import complete_settings
from chainweigh.effects.resonance_cut import EFFECT, OVERLAP, transform_frames


def there_and_back(samples):
    """The same windows, transformed and put together again with nothing done in between."""
    size = transform_frames(RATE_HZ)
    window = np.sin(np.pi * np.arange(size) / size) ** 2
    transform = ShortTimeFFT(window, size // OVERLAP, RATE_HZ)
    return transform.istft(transform.stft(samples), k1=samples.shape[1])


def main():
    """Print the ratio, for a programme that is cut at its defaults and one that is cut all over."""
    samples = programme()
    theirs_ms, _ = best_ms(lambda: there_and_back(samples))
    for name, changed in (("defaults", {}), ("margin 0 dB", {"margin": 0.0})):
        settings = complete_settings(EFFECT, changed)
        ours_ms, _ = best_ms(lambda s=settings: EFFECT.process(samples, RATE_HZ, s))
        print_row(f"resonance cut, {name}", ours_ms, "ShortTimeFFT", theirs_ms)


if __name__ == "__main__":
    main()
