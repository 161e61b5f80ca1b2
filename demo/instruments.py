"""The instruments: one function a sound, from a pitch and a length to samples at RATE_HZ.

Pad and brass return shape (2, n_frames), the others (n_frames,).
Each sound peaks near 1.0, so that the score's levels can be read as peaks.
"""

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 44_100
Sound = NDArray[np.float64]


def seconds(length_s: float) -> Sound:
    """Time axis of a sound."""
    return np.arange(round(length_s * RATE_HZ)) / RATE_HZ


def phase_of(frequency_hz: Sound) -> Sound:
    """Phase in radians of an oscillator whose frequency moves."""
    return 2 * np.pi * (np.cumsum(frequency_hz) - frequency_hz[0]) / RATE_HZ


def bright_tone(phase: Sound, brightness: Sound | float) -> Sound:
    """All harmonics at once, the n-th at brightness**n: the closed form of a geometric series."""
    return brightness * np.sin(phase) / (1 - 2 * brightness * np.cos(phase) + np.square(brightness))


def shaped(sound: Sound, response: Sound) -> Sound:
    """Sound filtered by a real magnitude response given at its rfft bins."""
    return np.fft.irfft(np.fft.rfft(sound) * response, sound.shape[-1])


def bins_hz(n_frames: int) -> Sound:
    """Frequencies of the rfft bins of a sound."""
    return np.fft.rfftfreq(n_frames, 1 / RATE_HZ)


def noise(n_frames: int, low_hz: float, high_hz: float, rng: np.random.Generator) -> Sound:
    """Noise between two frequencies with 12 dB an octave skirts, rms 1."""
    f = np.maximum(bins_hz(n_frames), 1.0)
    hiss = shaped(rng.standard_normal(n_frames), 1 / (1 + (low_hz / f) ** 2 + (f / high_hz) ** 2))
    return hiss / np.sqrt(np.mean(hiss**2))


def faded(sound: Sound, attack_s: float, release_s: float) -> Sound:
    """Sound with raised-cosine edges."""
    n_in, n_out = round(attack_s * RATE_HZ), round(release_s * RATE_HZ)
    envelope = np.ones(sound.shape[-1])
    envelope[:n_in] = np.sin(np.linspace(0, np.pi / 2, n_in)) ** 2
    envelope[-n_out:] *= np.cos(np.linspace(0, np.pi / 2, n_out)) ** 2
    return sound * envelope


def kick(rng: np.random.Generator) -> Sound:
    """A sixteenth long: a swept sine under a click that stands about 6 dB above it."""
    t = seconds(0.13)
    body = np.sin(phase_of(47 + 170 * np.exp(-t / 0.014))) * np.exp(-t / 0.075)
    click = np.cos(2 * np.pi * 2600 * t) + 0.06 * noise(len(t), 2000, 9000, rng)
    return faded(0.4 * body + 0.88 * click * np.exp(-t / 0.0006), 0.0002, 0.03)


def snare(rng: np.random.Generator) -> Sound:
    """A shell, a rattle, and a crack of two milliseconds well above both."""
    t = seconds(0.22)
    shell = np.sin(phase_of(182 + 60 * np.exp(-t / 0.01))) * np.exp(-t / 0.05)
    rattle = noise(len(t), 900, 8000, rng) * (np.exp(-t / 0.06) - np.exp(-t / 0.004))
    crack = np.cos(2 * np.pi * 1700 * t) + 0.06 * noise(len(t), 1500, 10_000, rng)
    return faded(0.24 * shell + 0.085 * rattle + 0.88 * crack * np.exp(-t / 0.0008), 0.0002, 0.05)


def hat(rng: np.random.Generator, decay_s: float) -> Sound:
    """Bright noise, short or open."""
    t = seconds(6 * decay_s)
    return faded(0.2 * noise(len(t), 6500, 16_000, rng) * np.exp(-t / decay_s), 0.0004, decay_s)


def sub(frequency_hz: float, length_s: float) -> Sound:
    """A sine with a little second and third harmonic, soft at both ends."""
    p = 2 * np.pi * frequency_hz * seconds(length_s + 0.03)
    return faded(0.82 * np.sin(p) + 0.14 * np.sin(2 * p) + 0.08 * np.sin(3 * p), 0.012, 0.04)


def left_hand(frequency_hz: float, length_s: float) -> Sound:
    """A struck reed: one sine bends another, less and less; its lowest notes meet the sub."""
    t = seconds(length_s + 0.12)
    p = 2 * np.pi * frequency_hz * t
    bend = 1.6 * np.exp(-t / 0.12) + 0.3
    sound = np.sin(p + bend * np.sin(2 * p)) * np.exp(-t / 0.5)
    return faded(sound, 0.004, 0.1)


def pad(frequency_hz: float, length_s: float, rng: np.random.Generator) -> Sound:
    """Two detuned tones a side, other ones left than right: wide."""
    t = seconds(length_s + 0.5)
    swell = 0.35 + 0.2 * np.sin(np.pi * np.minimum(t / length_s, 1.0))
    sides = [
        sum(
            bright_tone(2 * np.pi * (frequency_hz * detune * t + rng.random()), swell)
            for detune in 1 + rng.uniform(-0.004, 0.004, 2)
        )
        for _ in range(2)
    ]
    return faded(np.stack(sides), 0.09, 0.5)


def brass(frequency_hz: float, length_s: float, rng: np.random.Generator) -> Sound:
    """Brightness blooms after the lip opens and falls before the tone does; a scoop into pitch."""
    t = seconds(length_s + 0.1)
    scoop = 1 - 0.03 * np.exp(-t / 0.018)
    brightness = 0.82 * (1 - 0.6 * np.exp(-t / 0.022)) * np.exp(-t / 0.35) + 0.02
    sides = [
        bright_tone(phase_of(frequency_hz * detune * scoop), brightness)
        for detune in 1 + rng.uniform(-0.002, 0.002, 2)
    ]
    return faded(0.5 * np.stack(sides), 0.003, 0.09)


OO = ((320, 1.0, 60), (800, 0.25, 80), (2400, 0.04, 140))  # centre Hz, level, width Hz
AH = ((730, 1.0, 90), (1150, 0.6, 110), (2600, 0.2, 160))


def voice(frequency_hz: float, length_s: float, rng: np.random.Generator) -> Sound:
    """A wordless singer: a glottal buzz with late vibrato that opens from oo to ah."""
    t = seconds(length_s + 0.15)
    vibrato = 0.011 * np.sin(2 * np.pi * 5.4 * t) * np.clip((t - 0.2) / 0.4, 0, 1)
    buzz = bright_tone(phase_of(frequency_hz * (1 + vibrato)), 0.88)
    source = buzz + 0.15 * noise(len(t), 1500, 7000, rng)
    f = bins_hz(len(t))
    closed, opened = (
        shaped(source, sum(level / (1 + ((f - at) / width) ** 2) for at, level, width in vowel))
        for vowel in (OO, AH)
    )
    opening = np.sin(np.pi * np.minimum(t / length_s, 1.0)) ** 2
    sung = faded((1 - opening) * closed + opening * opened, 0.07, 0.14)
    return sung / np.max(np.abs(sung))


def room(sound: Sound, decay_s: float, rng: np.random.Generator) -> Sound:
    """The reverberation of a stereo sound, without the sound itself; same length."""
    t = seconds(3 * decay_s)
    n_fft = -(-(sound.shape[-1] + len(t)) >> 17) << 17
    echo = rng.standard_normal((2, len(t))) * np.exp(-t / (decay_s / 2.3)) * (t > 0.012)
    echo /= np.sqrt(np.sum(echo**2, axis=1, keepdims=True))
    f = np.fft.rfftfreq(n_fft, 1 / RATE_HZ)
    tone = 1 / (1 + (200 / np.maximum(f, 1)) ** 2 + (f / 5000) ** 2)
    wet = np.fft.rfft(sound, n_fft) * np.fft.rfft(echo, n_fft) * tone
    return np.fft.irfft(wet, n_fft)[:, : sound.shape[-1]]
