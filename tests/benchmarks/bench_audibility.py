"""Audibility and fit against real time: how many times faster than the programme plays.

Run: python tests/benchmarks/bench_audibility.py
"""

import time

import numpy as np

from chainweigh.kernels import native_library
from chainweigh.measure.audibility import measure_audibility, reference_masks
from chainweigh.measure.delay import estimate_delay
from chainweigh.measure.fit import fit_linear
from chainweigh.measure.residual import fit_reference, measure_residual

RATE, SECONDS, REPEATS = 44_100, 30, 3


def programme(n_channels):
    rng = np.random.default_rng(1)
    n = RATE * SECONDS
    hits = 0.2 + np.exp(-8 * ((np.arange(n) / RATE) % 0.5))
    return np.ascontiguousarray(0.1 * rng.standard_normal((n_channels, n)) * hits, np.float32)


def best_s(work):
    work()
    times = []
    for _ in range(REPEATS):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def main():
    print(f"{SECONDS} s at {RATE} Hz, compiled kernels: {native_library.compiled}")
    mono, stereo = programme(1), programme(2)
    rough, rough_mono = np.clip(stereo, -0.1, 0.1), np.clip(mono, -0.1, 0.1)
    masks = reference_masks(mono, sample_rate_hz=RATE)
    fitted = fit_reference(stereo, rough, sample_rate_hz=RATE)
    rows = {
        "noise-to-mask ratio, one channel, masks cached": lambda: measure_audibility(
            mono, rough_mono, sample_rate_hz=RATE, masks=masks
        ),
        "noise-to-mask ratio, one channel": lambda: measure_audibility(
            mono, rough_mono, sample_rate_hz=RATE
        ),
        "noise-to-mask ratio, left, right, mid and side": lambda: measure_audibility(
            stereo, rough, sample_rate_hz=RATE
        ),
        "delay, stereo": lambda: estimate_delay(stereo, rough, sample_rate_hz=RATE),
        "static fit, stereo": lambda: fit_linear(stereo, rough, sample_rate_hz=RATE),
        "fitted reference with a given fit, stereo": lambda: fit_reference(
            stereo, rough, sample_rate_hz=RATE, fit=fitted.fit
        ),
        "residual, stereo": lambda: measure_residual(fitted, rough, sample_rate_hz=RATE),
    }
    for name, work in rows.items():
        seconds = best_s(work)
        print(f"{name:50} {1e3 * seconds:7.0f} ms  {SECONDS / seconds:7.0f} x real time")


if __name__ == "__main__":
    main()
