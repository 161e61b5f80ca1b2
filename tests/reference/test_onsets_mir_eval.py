"""Onsets of patterns with known times, scored by mir_eval 0.8 (hits within 50 ms)."""

import mir_eval
import numpy as np
import pytest

from chainweigh.measure.onsets import find_onsets

RATE = 44_100
STEP_S = 60 / 128 / 4
LEAST_F = 0.95


def decaying(length_s, decay_s):
    return np.exp(-np.arange(round(length_s * RATE)) / RATE / decay_s)


def kick(rng):
    envelope = decaying(0.4, 0.05)
    t = np.arange(len(envelope)) / RATE
    return np.sin(2 * np.pi * (48 * t + 2.5 * (1 - np.exp(-t / 0.015)))) * envelope


def snare(rng):
    envelope = decaying(0.4, 0.05)
    return 0.3 * rng.standard_normal(len(envelope)) * envelope


def hat(rng):
    envelope = decaying(0.12, 0.015)
    return 0.15 * np.diff(rng.standard_normal(len(envelope) + 1)) * envelope


def swell(rng, attack_s=0.03):
    """A chord that fades in over 30 ms and out over 0.15 s."""
    n, n_in, n_out = round(0.4 * RATE), round(attack_s * RATE), round(0.15 * RATE)
    t = np.arange(n) / RATE
    envelope = np.ones(n)
    envelope[:n_in] = np.sin(np.linspace(0, np.pi / 2, n_in)) ** 2
    envelope[-n_out:] = np.cos(np.linspace(0, np.pi / 2, n_out)) ** 2
    return 0.1 * envelope * sum(np.sin(2 * np.pi * f * t) for f in (220, 277.2, 329.6, 440))


SOUNDS = {"k": kick, "s": snare, "h": hat, "c": swell}

# One character a sixteenth at 128 bpm; a string a voice, repeated four times.
PATTERNS = {
    "a broken beat": ("k..k......k..k..", "....s..s....s.s.", "h.h.h.hhh.h.h.hh"),
    "two bars that differ": (
        "k.....k..k......k..k......k...k.",
        "....s..s.s..s.......s....s..s..s",
    ),
    "dense hats": ("hhhhhhhhhhhhhhhh",),
    "hats over kicks": ("k...k...k...k...", "hhhhhhhhhhhhhhhh"),
    "soft attacks": ("c.....c.....c...",),
    "soft attacks under hats": ("c.......c.......", "..h...h...h...h."),
    "one hit a bar": ("k...............",),
}


def played(voices, seed, bed=0.0):
    """A pattern's waveform and the true times of its onsets."""
    rng = np.random.default_rng(seed)
    n_steps = 4 * len(voices[0])
    signal = bed * rng.standard_normal(round((n_steps * STEP_S + 1) * RATE))
    times = set()
    for voice in voices:
        for step, character in enumerate(voice * 4):
            if character != ".":
                sound = SOUNDS[character](rng)
                start = round((0.25 + step * STEP_S) * RATE)
                signal[start : start + len(sound)] += 0.5 * sound
                times.add(start / RATE)
    return np.ascontiguousarray(signal[np.newaxis], dtype=np.float32), np.array(sorted(times))


@pytest.mark.parametrize("name", PATTERNS)
@pytest.mark.parametrize("seed", [1, 2])
def test_known_onsets_are_found(name, seed):
    samples, truth = played(PATTERNS[name], seed)
    found = find_onsets(samples, RATE).times_s
    assert mir_eval.onset.f_measure(truth, found, window=0.05)[0] >= LEAST_F


@pytest.mark.parametrize("name", ["a broken beat", "two bars that differ", "one hit a bar"])
def test_known_onsets_are_found_over_noise(name):
    samples, truth = played(PATTERNS[name], 3, bed=0.003)
    found = find_onsets(samples, RATE).times_s
    assert mir_eval.onset.f_measure(truth, found, window=0.05)[0] >= LEAST_F


@pytest.mark.parametrize("name", ["a broken beat", "dense hats"])
def test_starts_are_precise_to_five_milliseconds(name):
    samples, truth = played(PATTERNS[name], 4)
    found = find_onsets(samples, RATE).times_s
    assert mir_eval.onset.f_measure(truth, found, window=0.005)[0] >= LEAST_F


def test_the_score_can_fail():
    # The same truth against onsets 60 ms late: outside mir_eval's window.
    samples, truth = played(PATTERNS["one hit a bar"], 5)
    found = find_onsets(samples, RATE).times_s + 0.06
    assert mir_eval.onset.f_measure(truth, found, window=0.05)[0] == 0.0
