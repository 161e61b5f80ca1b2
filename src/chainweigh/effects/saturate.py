"""Saturate: bends the waveform along a smooth curve, oversampled against aliasing."""

from chainweigh.audio.array import Samples, from_db
from chainweigh.effects.base import Effect, Kind, Parameter, Reach, Settings
from chainweigh.kernels.saturate import CURVES, saturate

REACH_FRAMES = 128  # of the half-band filters


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    """Saturate, aligned and of equal length.

    Notes
    -----
    Soft sounds keep their level (without bias): with u = x / ceiling the curves are tanh(u), the
    cubic u - 4 u^3 / 27 up to u = 1.5 where it is flat, and arctan(u pi / 2) 2 / pi. A bias b gives
    curve(u + b) - curve(b): soft sounds then have the curve's slope at b, and loud ones an offset
    that `dc_block` takes out. Above 0.4535 of the sample rate (20 kHz at 44.1 kHz) the filters let
    go, and what the signal holds there passes partly as it is.

    Folded energy from 20 Hz to 20 kHz re the fundamental at 44.1 kHz, 6 dB over the ceiling: at 8
    times oversampling a 5 kHz tone leaves -99 dB or less, a 10 kHz tone -86 (cubic; others less).
    """
    if settings["mix"] == 0:
        return samples.copy()
    return saturate(
        samples,
        ceiling=from_db(float(settings["ceiling"])),
        curve=str(settings["curve"]),
        bias=float(settings["bias"]) / 100,
        mix=float(settings["mix"]) / 100,
        n_stages=int(settings["oversample"]).bit_length() - 1,
    )


EFFECT = Effect(
    name="saturate",
    about="Rounds peaks off and adds harmonics that grow with level, for warmth and density.",
    parameters=(
        Parameter(
            "ceiling",
            Kind.LEVEL,
            "level the wave is bent towards; lower saturates more",
            minimum=-80,
            maximum=40,
        ),
        Parameter(
            "curve",
            Kind.CHOICE,
            "how it bends: cubic late and firmly, with few harmonics; arctan early and long, with "
            "many; tanh between",
            default="tanh",
            choices=CURVES,
        ),
        Parameter(
            "bias",
            Kind.SHARE,
            "pushes the wave off centre by a share of the ceiling: adds even harmonics to the odd",
            default=0.0,
            minimum=-80,
            maximum=80,
        ),
        Parameter(
            "mix",
            Kind.SHARE,
            "saturated part; the rest is input",
            default=100.0,
            minimum=0,
            maximum=100,
        ),
        Parameter(
            "oversample",
            Kind.COUNT,
            "times the sample rate at which it works; more leaves less aliasing of high sounds",
            default=8,
            choices=(1, 2, 4, 8, 16, 32),
        ),
    ),
    process=_process,
    reach=lambda sample_rate_hz, settings: Reach(REACH_FRAMES, REACH_FRAMES),
    notes=(
        "Soft sounds keep their level unless there is a bias. Loud sounds under a bias get an "
        "offset: put dc_block behind. Band-limiting back from the higher rate can pass the ceiling "
        "by a little, and a bias moves it."
    ),
    source=(
        "Harmonics of memoryless curves in closed form; half-band cascade after P. P. "
        "Vaidyanathan, Multirate Systems and Filter Banks, 1993; anti-aliasing by oversampling "
        "after J. Kahles, F. Esqueda, V. Valimaki, J. Audio Eng. Soc. 67(6), 2019"
    ),
)
