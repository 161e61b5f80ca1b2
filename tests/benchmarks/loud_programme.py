"""A made-up loud programme for the benchmarks, and the clock they share."""

import time

import numpy as np

RATE_HZ = 44100


def programme(seconds=60, seed=7):
    """Kick, hats, bass and pads, stereo, peaking at full scale, at 120 beats a minute."""
    rng = np.random.default_rng(seed)
    n = seconds * RATE_HZ
    t = np.arange(n) / RATE_HZ
    beat = t % 0.5
    kick = np.sin(2 * np.pi * (50 * beat + 6 * (1 - np.exp(-beat * 40)))) * np.exp(-beat * 9)
    hats = rng.standard_normal((2, n)) * np.exp(-(t % 0.125) * 60) * 0.12
    bass = np.sign(np.sin(2 * np.pi * 55 * t)) * 0.18 * np.minimum(1, beat * 8)
    pads = sum(np.sin(2 * np.pi * f * t + p) for p, f in enumerate((220, 277.2, 329.6, 440))) * 0.06
    mix = np.stack([kick + bass + pads, kick + bass - 0.5 * pads]) + hats
    return (mix / np.abs(mix).max()).astype(np.float32)


def tone(seconds=60, frequency_hz=997.0):
    """A full-scale sine, mono."""
    t = np.arange(seconds * RATE_HZ) / RATE_HZ
    return np.sin(2 * np.pi * frequency_hz * t).astype(np.float32)[None]


def best_ms(work, n_runs=3):
    """Least processor time of a few runs in ms, which other work disturbs little; last result."""
    times, result = [], None
    for _ in range(n_runs):
        start = time.process_time()
        result = work()
        times.append(time.process_time() - start)
    return 1e3 * min(times), result


def print_row(name, ours_ms, peer, theirs_ms, goal=None):
    """One line: times and how many times faster than the peer."""
    due = f"  (goal {goal}x)" if goal else ""
    times = f"{ours_ms:9.1f} ms   {peer} {theirs_ms:9.1f} ms"
    print(f"{name:42} {times}   {theirs_ms / ours_ms:6.1f}x{due}")
