"""The score of the two demo songs: what is played, where, and how loud.

Notation
--------
A bar is 16 steps, one character each; a line is repeated until its section ends.
Drums: X accent, x hit, o ghost note, . rest.
Pitches: 1 to 7 degree of the song's minor scale, 8 and 9 continue above it, - holds, . rests.
Keys and stabs play a four-note chord built in thirds on the degree.
"""

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Section:
    """Some bars that share their patterns; a part that is not named rests."""

    n_bars: int
    lines: dict[str, tuple[str, ...]]


@dataclass(frozen=True)
class Song:
    """One song: its scenario, its form, and its balance in dB at the desk."""

    folder: str
    title: str
    scenario: str
    tempo_bpm: float
    tonic_hz: float  # degree 1 of the sub
    swing: float  # delay of every second step, as a share of a step
    wav_subtype: str
    mix_peak_dbfs: float
    seed: int
    sections: tuple[Section, ...]
    part_db: dict[str, float] = field(default_factory=dict)


UMBRELLAS = Song(
    folder="song-1",
    title="Minutes of the Umbrella Committee",
    scenario="A committee meets in a bus shelter to decide if it is raining. It adjourns, wet.",
    tempo_bpm=128.0,
    tonic_hz=46.25,
    swing=0.16,
    wav_subtype="PCM_24",
    mix_peak_dbfs=-1.2,
    seed=1128,
    sections=(
        Section(
            2,
            {
                "hats": ("..x...x...x.o.x.", "..x.o.x...x...xo"),
                "kick": ("x.........x.....",),
                "pad": ("1---------------", "6-----------7---"),
            },
        ),
        Section(
            6,
            {
                "kick": ("X..x......X.....", "X.....x...X..x.."),
                "snare": ("....X..o.o..X...", "....X..o.o..X.o."),
                "hats": ("x.xox.x.xoxox.xo", "x.xox.x.xox.X.xo"),
                "sub": ("1--.1-.1--..5-7-", "6--..6--6-..7--."),
                "left-hand": ("..1-....1-..3-..", "..6-....6-..7-.."),
                "pad": ("1-----------3---", "6-----------7---"),
                "brass": ("................", "..........8.9..."),
            },
        ),
        Section(
            2,
            {
                "hats": ("....o.......o...",),
                "pad": ("4---------------", "7-------6-------"),
                "left-hand": ("4-......4-......", "7-......6-......"),
                "voice": ("..5---6-5---3---", "4-----5-2-------"),
            },
        ),
        Section(
            6,
            {
                "kick": ("X..x..x...X.....", "X.....x...X..x.."),
                "snare": ("....X..o.o..X...", "....X..o.o..X.oX"),
                "hats": ("x.xox.xox.xoX.xo", "x.xox.x.xoxoX.xo"),
                "sub": ("1--.1-.1--..5-7-", "4--..4--6-..7--."),
                "left-hand": ("..1-....1-..3-..", "..4-....6-..7-.."),
                "pad": ("1-----------3---", "4-------6---7---"),
                "brass": ("8..8......8.....", "....8.....9.8..."),
                "voice": (
                    "................",
                    "................",
                    "................",
                    "........5-6-5---",
                ),
            },
        ),
    ),
    part_db={
        "kick": 0.0,
        "snare": 0.0,
        "hats": -13.0,
        "sub": -13.5,
        "left-hand": -23.0,
        "pad": -22.5,
        "brass": -16.5,
        "voice": -17.0,
    },
)

FOG = Song(
    folder="song-2",
    title="The Fog Bank Is Open Until Five",
    scenario="A bank lends fog to coastal towns at a fair rate. Few return it; nobody can see why.",
    tempo_bpm=144.0,
    tonic_hz=38.89,
    swing=0.07,
    wav_subtype="FLOAT",
    mix_peak_dbfs=-2.2,
    seed=2144,
    sections=(
        Section(
            2,
            {
                "kick": ("X.....x...x.....",),
                "hats": ("x.x.x.x.x.x.x.x.", "x.x.x.xox.x.xoxo"),
                "left-hand": ("8...8..8..8.....",),
            },
        ),
        Section(
            6,
            {
                "kick": ("X..x..x...X..x..", "X.x...x..xX..x.."),
                "snare": ("....X..o.o..X..o", "....X.oo.oo.X.ox"),
                "hats": ("xoxoxoxoxoxoxoxo", "xoxoxoXoxoxoxoXo"),
                "sub": ("1-----..1---..3-", "6-----..4---..5-"),
                "left-hand": ("8...8..8..8...7.", "6...6..6..4...5."),
                "pad": ("1---------------", "6-------4-----5-"),
            },
        ),
        Section(
            3,
            {
                "hats": ("x...x...x...x...",),
                "pad": ("1---------------", "4---------------", "5---------------"),
                "voice": ("....8---7-5-----", "..6-----5---4---", "5---------......"),
                "brass": ("................", "................", "............5.5."),
            },
        ),
        Section(
            7,
            {
                "kick": ("X..x..x.x.X..x..", "X.x...x..xX..xx."),
                "snare": ("....X..o.o..X..o", "....X.oo.oo.X.xX"),
                "hats": ("xoxoxoXoxoxoxoXo", "xoXoxoXoxoXoxoXo"),
                "sub": ("1-----..1---..3-", "6-----..4---..5-"),
                "left-hand": ("8...8..8..8...7.", "6...6..6..4...5."),
                "pad": ("1---------------", "6-------4-----5-"),
                "brass": ("8.....8.........", "......6.....5..."),
            },
        ),
    ),
    part_db={
        "kick": 4.0,
        "snare": 5.0,
        "hats": -9.0,
        "sub": -10.5,
        "left-hand": -17.0,
        "pad": -18.0,
        "brass": -13.0,
        "voice": -14.0,
    },
)

SONGS = (UMBRELLAS, FOG)
