"""Limit: a look-ahead peak limiter whose ceiling holds on its own output's true peak."""

import math

from chainweigh.audio.array import Samples, from_db
from chainweigh.effects.base import PEAK_ROOM_DB, Effect, Kind, Parameter, Reach, Settings
from chainweigh.kernels.limit import (
    FAINT,
    TRIM_REACH_FRAMES,
    GainShape,
    limit,
    needs_check,
    trim_true_peaks,
)

REACH_FRAMES = 128  # of the interpolation, and of steps of the gain
SLOWNESS = 10  # times the release, for the average that programme-dependent release keeps


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    """Limit, aligned and of equal length; what needs no reduction passes bit for bit.

    Notes
    -----
    The reduction 1 - gain that each frame needs is held from `lookahead` before it to `hold` after
    it, falls exponentially (to 37 % after the release) and is smoothed by a triangle as long as
    the attack. The gain starts down `lookahead` before a peak, is down after `attack` per cent of
    that time and waits there, so it has always arrived when the peak does.

    With a programme release the reduction never falls below its own running average, taken with a
    time constant ten times the release: after a lone peak the average is next to nothing and the
    gain recovers at the release, after seconds of reduction it recovers ten times as slowly.

    With true_peak the need is read from the waveform interpolated 16x and a last check trims what
    a moving gain lets through: the output's true peak (precise mode) exceeds the ceiling by at
    most 0.01 dB, its samples never. What the release of an earlier peak covers anyway is not
    interpolated, which changes no bit of the result: steady tones, of which it covers nothing,
    take longest.

    Without look-ahead the gain drops on the very frame and stays for hold and release: a clip with
    release. With hold and release at 0 too it is a hard clip without oversampling.
    """
    ceiling = from_db(float(settings["ceiling"]))
    link = float(settings["link"]) / 100
    shape = _gain_shape(sample_rate_hz, settings)
    if not settings["true_peak"]:
        return limit(samples, samples, ceiling=ceiling, link=link, shape=shape)[0]
    limited, moves = limit(samples, None, ceiling=ceiling, link=link, shape=shape)
    trim_true_peaks(limited, ceiling=ceiling, link=link, within=needs_check(moves))
    return limited


def _gain_shape(sample_rate_hz: int, settings: Settings) -> GainShape:
    ahead_frames, hold_frames, release_frames = (
        float(settings[name]) / 1000 * sample_rate_hz for name in ("lookahead", "hold", "release")
    )
    slow_frames = SLOWNESS * release_frames if settings["release_kind"] == "programme" else 0.0
    return GainShape(
        n_look=1 + round(ahead_frames),
        n_attack=1 + round(float(settings["attack"]) / 100 * round(ahead_frames)),
        n_hold=round(hold_frames),
        decay=_decay(release_frames),
        slow_decay=_decay(slow_frames),
    )


def _decay(time_frames: float) -> float:
    """Factor a frame of an exponential with this time constant."""
    return math.exp(-1 / time_frames) if time_frames > 0 else 0.0


def _reach(sample_rate_hz: int, settings: Settings) -> Reach | None:
    """A release ends for good when it is faint, unless it follows the programme."""
    if settings["release_kind"] == "programme":
        return None
    ahead_ms, hold_ms, release_ms = (float(settings[n]) for n in ("lookahead", "hold", "release"))
    back_ms = ahead_ms + hold_ms - math.log(FAINT) * release_ms
    reach_frames = REACH_FRAMES + (TRIM_REACH_FRAMES if settings["true_peak"] else 0)
    return Reach(
        reach_frames + math.ceil(back_ms / 1000 * sample_rate_hz),
        reach_frames + math.ceil(ahead_ms / 1000 * sample_rate_hz),
    )


EFFECT = Effect(
    name="limit",
    about="Turns the gain down ahead of peaks so that none passes the ceiling.",
    parameters=(
        Parameter("ceiling", Kind.LEVEL, "level no peak passes", minimum=-80, maximum=40),
        Parameter(
            "lookahead",
            Kind.TIME,
            "how long before a peak the gain starts down; longer is cleaner but softens what "
            "leads into the peak",
            default=5.0,
            minimum=0,
            maximum=20,
        ),
        Parameter(
            "attack",
            Kind.SHARE,
            "share of the look-ahead the gain takes to come down; less is down sooner and waits, "
            "with a sharper edge",
            default=100.0,
            minimum=0,
            maximum=100,
        ),
        Parameter(
            "hold",
            Kind.TIME,
            "how long the gain stays down after a peak; from a low note's period on it keeps the "
            "note from being bent",
            default=0.0,
            minimum=0,
            maximum=200,
        ),
        Parameter(
            "release",
            Kind.TIME,
            "time in which the reduction falls to 37 %; short is louder, long distorts less",
            default=80.0,
            minimum=0,
            maximum=5000,
        ),
        Parameter(
            "release_kind",
            Kind.CHOICE,
            "fixed, or programme: quick after a lone peak, up to ten times slower after long "
            "reduction, so dense parts pump less",
            default="fixed",
            choices=("fixed", "programme"),
        ),
        Parameter(
            "link",
            Kind.SHARE,
            "how far each side follows the side that needs more",
            default=100.0,
            minimum=0,
            maximum=100,
        ),
        Parameter(
            "true_peak",
            Kind.SWITCH,
            "hold the ceiling between the samples too",
            default=True,
        ),
    ),
    process=_process,
    odd=True,
    reach=_reach,
    untouched_dbfs=lambda settings: float(settings["ceiling"]) - PEAK_ROOM_DB,
    notes=(
        "With look-ahead 0 the gain drops on the loud frame itself: a clip with release. With "
        "release 0 as well, and true_peak off, it is the clip without oversampling."
    ),
    source=(
        "Look-ahead by sliding maximum and FIR smoothing after P. Hamalainen, DAFx 2002; release "
        "as a time constant after D. Giannoulis, M. Massberg, J. D. Reiss, J. Audio Eng. Soc. "
        "60(6), 2012; a recovery that depends on the programme after G. W. McNally, J. Audio Eng. "
        "Soc. 32(5), 1984; true peak after ITU-R BS.1770-5 Annex 2"
    ),
)
