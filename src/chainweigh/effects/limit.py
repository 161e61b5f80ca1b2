"""Limit: a look-ahead peak limiter whose ceiling holds on its own output's true peak."""

import math

from chainweigh.audio.array import Samples, from_db
from chainweigh.effects.base import Effect, Kind, Parameter, Settings
from chainweigh.kernels.limit import gain_moves, limit, trim_true_peaks
from chainweigh.kernels.true_peak import true_peak_envelope


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    """Limit, aligned and of equal length; what needs no reduction passes bit for bit.

    Notes
    -----
    The reduction 1 - gain that each frame needs is held over the look-ahead, falls exponentially
    (to 37 % after the release) and is smoothed by a triangle as long as the look-ahead, so the gain
    has arrived when the peak does. With true_peak the need is read from the waveform interpolated
    16x and a last check trims what a moving gain lets through: the output's true peak (precise
    mode) exceeds the ceiling by at most 0.01 dB, its samples never. Without look-ahead the gain
    drops on the very frame, a clip that releases slowly.
    """
    ceiling = from_db(float(settings["ceiling"]))
    link = float(settings["link"]) / 100
    release_frames = float(settings["release"]) / 1000 * sample_rate_hz
    wants_true_peak = bool(settings["true_peak"])
    envelope = true_peak_envelope(samples, floor=ceiling) if wants_true_peak else samples
    limited, gains = limit(
        samples,
        envelope,
        ceiling=ceiling,
        link=link,
        n_look=1 + round(float(settings["lookahead"]) / 1000 * sample_rate_hz),
        decay=math.exp(-1 / release_frames),
    )
    if not wants_true_peak:
        return limited
    return trim_true_peaks(limited, ceiling=ceiling, link=link, within=gain_moves(gains))


EFFECT = Effect(
    name="limit",
    about="Turns the gain down ahead of peaks so that none passes the ceiling.",
    parameters=(
        Parameter("ceiling", Kind.LEVEL, "level no peak passes", minimum=-80, maximum=40),
        Parameter(
            "lookahead",
            Kind.TIME,
            "time before a peak over which the gain comes down",
            default=5.0,
            minimum=0,
            maximum=20,
        ),
        Parameter(
            "release",
            Kind.TIME,
            "time in which the reduction falls to 37 %",
            default=80.0,
            minimum=1,
            maximum=5000,
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
    source=(
        "Look-ahead by sliding maximum and FIR smoothing after P. Hamalainen, DAFx 2002, and "
        "D. Giannoulis, M. Massberg, J. D. Reiss, J. Audio Eng. Soc. 60(6), 2012; true peak after "
        "ITU-R BS.1770-5 Annex 2"
    ),
)
