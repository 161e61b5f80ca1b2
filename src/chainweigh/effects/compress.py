"""Compressor with soft knee."""

import math

from chainweigh.audio.array import Samples
from chainweigh.effects.base import PEAK_ROOM_DB, Effect, Kind, Parameter, Settings
from chainweigh.errors import ChainFileError
from chainweigh.kernels.compress import Compression, compress_samples

AVERAGING_MS = 10.0
FORGOTTEN_MS = 100.0  # of averaging: after 2 s nothing is left of what was before
LOW_CUT_ROOM_DB = 8.0  # sum of the high-pass's impulse response: no peak rises by more


def _compression(settings: Settings) -> Compression:
    return Compression(
        threshold_dbfs=float(settings["threshold"]),
        ratio=float(settings["ratio"]),
        knee_db=float(settings["knee"]),
        attack_ms=float(settings["attack"]),
        release_ms=float(settings["release"]),
        rms=settings["detector"] == "rms",
        averaging_ms=float(settings["averaging"]),
        lookahead_ms=float(settings["lookahead"]),
        detector_low_cut_hz=float(settings["detector_low_cut"]),
        link=float(settings["link"]) / 100,
        mix=float(settings["mix"]) / 100,
    )


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    if settings["ratio"] == 1 or settings["mix"] == 0:
        return samples.copy()
    return compress_samples(samples, sample_rate_hz, compression=_compression(settings))


def _untouched_dbfs(settings: Settings) -> float:
    if settings["ratio"] == 1 or settings["mix"] == 0:
        return math.inf
    if settings["detector"] == "rms" and float(settings["averaging"]) > FORGOTTEN_MS:
        return -math.inf
    room_db = LOW_CUT_ROOM_DB if settings["detector_low_cut"] else 0.0
    start_dbfs = float(settings["threshold"]) - float(settings["knee"]) / 2
    return start_dbfs - room_db - PEAK_ROOM_DB


def _check_at_rate(sample_rate_hz: int, settings: Settings) -> None:
    if settings["detector"] != "rms" and settings["averaging"] != AVERAGING_MS:
        raise ChainFileError(
            f'compress: "averaging" is {settings["averaging"]:g} ms, but only the rms detector '
            "averages; leave it out"
        )


THRESHOLD = Parameter(
    "threshold",
    Kind.LEVEL,
    "level above which it turns down, the middle of the knee; as the detector reads it",
    minimum=-80,
    maximum=40,
)
RATIO = Parameter(
    "ratio",
    Kind.RATIO,
    "dB in for each dB out above the knee; 1 does nothing, inf holds the level at the threshold",
    default=2.0,
    minimum=1,
    maximum=math.inf,
)
ATTACK = Parameter(
    "attack",
    Kind.TIME,
    "how fast it turns down: 63 % of the way in this time; 0 is at once",
    default=10.0,
    minimum=0,
    maximum=1000,
)
RELEASE = Parameter(
    "release",
    Kind.TIME,
    "how fast it lets go: 63 % of the way in this time, smoothed by the attack as well",
    default=100.0,
    minimum=0,
    maximum=10_000,
)
KNEE = Parameter(
    "knee",
    Kind.GAIN,
    "width of the range around the threshold in which the ratio sets in; 0 is a corner",
    default=6.0,
    minimum=0,
    maximum=40,
)
DETECTOR = Parameter(
    "detector",
    Kind.CHOICE,
    "what it follows: the peaks, or the averaged power (a full-scale sine reads -3 dB)",
    default="peak",
    choices=("peak", "rms"),
)
AVERAGING = Parameter(
    "averaging",
    Kind.TIME,
    "how long the rms detector averages (time constant)",
    default=AVERAGING_MS,
    minimum=0.1,
    maximum=1000,
)
LOOKAHEAD = Parameter(
    "lookahead",
    Kind.TIME,
    "how long before a loud moment it begins to turn down; nothing comes out late",
    default=0.0,
    minimum=0,
    maximum=20,
)
DETECTOR_LOW_CUT = Parameter(
    "detector_low_cut",
    Kind.FREQUENCY,
    "the detector hears less below this (12 dB/oct), so that bass does not pump the rest; "
    "the sound itself is not filtered; 0 Hz is off",
    default=0.0,
    minimum=0,
    maximum=2000,
)
LINK = Parameter(
    "link",
    Kind.SHARE,
    "100 % turns both sides down alike, 0 % each by itself",
    default=100.0,
    minimum=0,
    maximum=100,
)
MIX = Parameter(
    "mix",
    Kind.SHARE,
    "share of compressed sound; the rest is the sound as it came in (parallel compression)",
    default=100.0,
    minimum=0,
    maximum=100,
)


EFFECT = Effect(
    name="compress",
    about="Turns down what is above the threshold, by a ratio, with attack and release.",
    parameters=(
        THRESHOLD,
        RATIO,
        ATTACK,
        RELEASE,
        KNEE,
        DETECTOR,
        AVERAGING,
        LOOKAHEAD,
        DETECTOR_LOW_CUT,
        LINK,
        MIX,
    ),
    process=_process,
    untouched_dbfs=_untouched_dbfs,
    check_at_rate=_check_at_rate,
    source="Giannoulis, Massberg, Reiss, JAES 60(6), 2012: log domain, smooth decoupled",
)
