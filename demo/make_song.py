"""Write two invented songs as stem folders: demo/song-1 and demo/song-2.

    python demo/make_song.py

Synthesised from score.py; the same bytes each time, no network. Needs numpy and soundfile.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import numpy as np
import soundfile
from instruments import (
    RATE_HZ,
    Sound,
    brass,
    hat,
    kick,
    left_hand,
    pad,
    room,
    snare,
    sub,
    voice,
)
from score import SONGS, Song

HERE = Path(__file__).resolve().parent
STEPS_PER_BAR = 16
TAIL_S = 1.2
MINOR = (0, 2, 3, 5, 7, 8, 10)  # semitones of the natural minor scale
HIT_DB = {"X": 0.0, "x": -3.0, "o": -11.0}
FILES = {  # part: its file
    "kick": "percussion/kick.wav",
    "snare": "percussion/snare.wav",
    "hats": "percussion/hats.wav",
    "sub": "sub/sub.wav",
    "pad": "keys/pad.wav",
    "left-hand": "keys/left-hand.wav",
    "brass": "stabs/brass.wav",
    "voice": "voice/voice.wav",
}


def gain(level_db: float) -> float:
    """Amplitude ratio of a level in dB."""
    return 10 ** (level_db / 20)


def step_s(song: Song) -> float:
    """Length of a sixteenth."""
    return 60 / song.tempo_bpm / 4


def events(song: Song, part: str) -> Iterator[tuple[float, float, str]]:
    """Start in s, length in s and character of everything a part plays."""
    first_bar = 0
    for section in song.sections:
        lines = section.lines.get(part, ())
        for bar in range(section.n_bars if lines else 0):
            line = lines[bar % len(lines)]
            for step, character in enumerate(line):
                if character in ".-":
                    continue
                held = len(line) - step - len(line[step + 1 :].lstrip("-"))
                at = (first_bar + bar) * STEPS_PER_BAR + step + song.swing * (step % 2)
                yield at * step_s(song), held * step_s(song), character
        first_bar += section.n_bars


def pitch_hz(song: Song, degree: int, octave: int) -> float:
    """Frequency of a scale degree (1 = tonic), octaves above the sub."""
    octaves, note = divmod(degree - 1, len(MINOR))
    return song.tonic_hz * 2 ** (octave + octaves + MINOR[note] / 12)


def chord_hz(song: Song, degree: int, octave: int) -> list[float]:
    """A seventh chord, built in thirds on a scale degree."""
    return [pitch_hz(song, degree + third, octave) for third in (0, 2, 4, 6)]


def sound_of(
    song: Song, part: str, character: str, length_s: float, rng: np.random.Generator
) -> Sound:
    """What one event of a part sounds like."""
    if part in ("kick", "snare", "hats"):
        if part == "hats":
            hit = hat(rng, 0.06 if character == "X" else 0.018)
        else:
            hit = {"kick": kick, "snare": snare}[part](rng)
        return hit * gain(HIT_DB[character] + rng.uniform(-0.3, 0.3))
    degree = int(character)
    if part == "sub":
        return sub(pitch_hz(song, degree, 0), length_s)
    if part == "left-hand":
        return left_hand(pitch_hz(song, degree, 1), length_s)
    if part == "voice":
        return voice(pitch_hz(song, degree, 3), length_s, rng)
    octave, player = {"pad": (2, pad), "brass": (2, brass)}[part]
    return sum(player(f, length_s, rng) for f in chord_hz(song, degree, octave)) / 2


def played(song: Song, part: str, n_frames: int) -> Sound:
    """A part's dry track, shape (n_channels, n_frames)."""
    rng = np.random.default_rng([song.seed, *part.encode()])
    n_channels = 2 if part in ("pad", "brass", "hats") else 1
    track = np.zeros((n_channels, n_frames))
    for number, (start_s, length_s, character) in enumerate(events(song, part)):
        sound = sound_of(song, part, character, length_s, rng)
        if part == "hats":
            sound = sound * np.array([[1.0], [0.6]])[:: 1 if number % 2 else -1]
        start = round(start_s * RATE_HZ)
        track[:, start : start + sound.shape[-1]] += sound
    return track


def ducked(song: Song, track: Sound, depth: float) -> Sound:
    """A track that makes room for kick and snare and comes back within a sixteenth."""
    n_attack, n_back = round(0.004 * RATE_HZ), round(step_s(song) * RATE_HZ)
    fall = np.sin(np.linspace(0, np.pi / 2, n_attack)) ** 2
    dip = np.concatenate([fall, np.cos(np.linspace(0, np.pi / 2, n_back)) ** 2])
    key = np.zeros(n_attack + track.shape[-1])
    for start_s, _, character in chain(events(song, "kick"), events(song, "snare")):
        if character != "o":
            start = round(start_s * RATE_HZ)  # the dip begins n_attack earlier
            key[start : start + len(dip)] = np.maximum(key[start : start + len(dip)], dip)
    return track * (1 - depth * key[n_attack:])


def stems(song: Song) -> dict[str, Sound]:
    """Every part at its level in the mix, shape (n_channels, n_frames)."""
    n_bars = sum(section.n_bars for section in song.sections)
    n_frames = round((n_bars * STEPS_PER_BAR * step_s(song) + TAIL_S) * RATE_HZ)
    tracks = {part: played(song, part, n_frames) for part in FILES}
    for part, depth in (("sub", 0.65), ("left-hand", 0.5), ("pad", 0.4)):
        tracks[part] = ducked(song, tracks[part], depth)
    rng = np.random.default_rng(song.seed)
    for part, wet, decay_s in (("pad", 0.3, 1.0), ("brass", 0.35, 0.5), ("voice", 0.4, 1.1)):
        tracks[part] = tracks[part] + wet * room(tracks[part] * np.ones((2, 1)), decay_s, rng)
    tracks = {part: track * gain(song.part_db[part]) for part, track in tracks.items()}
    mix = sum(track * np.ones((2, 1)) for track in tracks.values())
    trim = gain(song.mix_peak_dbfs) / np.max(np.abs(mix))
    return {part: track * trim for part, track in tracks.items()}


def write_float_wav(path: Path, track: Sound) -> None:
    """A 32-bit float WAV by hand: libsndfile would stamp it with the time of day."""
    data = np.ascontiguousarray(track.T, dtype="<f4").tobytes()
    n_channels, n_frames = track.shape
    frame_bytes = 4 * n_channels
    fmt = struct.pack("<HHIIHHH", 3, n_channels, RATE_HZ, RATE_HZ * frame_bytes, frame_bytes, 32, 0)
    chunks = b"".join(
        name + struct.pack("<I", len(body)) + body
        for name, body in ((b"fmt ", fmt), (b"fact", struct.pack("<I", n_frames)), (b"data", data))
    )
    path.write_bytes(b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks)


def write_song(song: Song) -> None:
    """Write a song's stems and its song.toml, and say so in one line."""
    folder = HERE / song.folder
    tracks = stems(song)
    for part, track in tracks.items():
        path = folder / FILES[part]
        path.parent.mkdir(parents=True, exist_ok=True)
        if song.wav_subtype == "FLOAT":
            write_float_wav(path, track)
        else:
            soundfile.write(path, track.T, RATE_HZ, subtype=song.wav_subtype)
    groups = dict.fromkeys(file.split("/")[0] for file in FILES.values())
    lines = [
        f"# {song.scenario}",
        f'title = "{song.title}"',
        f"tempo_bpm = {song.tempo_bpm}",
        "beats_per_bar = 4",
        "",
        "[groups]",
        *(f'{group} = "{group}/*.wav"' for group in groups),
    ]
    (folder / "song.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    length_s = next(iter(tracks.values())).shape[-1] / RATE_HZ
    print(
        f"demo/{song.folder}: {song.title}, {song.tempo_bpm:g} bpm, {length_s:.1f} s, "
        f"{len(FILES)} files in {len(groups)} groups"
    )


if __name__ == "__main__":
    for each in SONGS:
        write_song(each)
