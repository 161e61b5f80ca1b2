"""Clip: cuts the waveform off at a level, oversampled against aliasing."""

from chainweigh.audio.array import Samples, from_db
from chainweigh.effects.base import PEAK_ROOM_DB, Effect, Kind, Parameter, Reach, Settings
from chainweigh.kernels.clip import clip
from chainweigh.kernels.limit import TRIM_REACH_FRAMES, trim_true_peaks

REACH_FRAMES = 128  # of the half-band filters


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    """Clip, aligned and of equal length; what stays below the bend passes bit for bit.

    Notes
    -----
    The ceiling holds at the oversampled rate. Band-limiting the result back overshoots it, the
    more the deeper the clip and the denser the highs; measured true peak above the ceiling at 8x,
    clipped by 3, 6 and 12 dB below its true peak: the demo's drums 0.4, 0.5, 1.4 dB; white noise,
    the worst of programmes, 1.8, 2.9, 4.5 dB (tests/unit/effects/test_clip.py shows the noise
    beside a clip with ideal filters). With `true_peak` a short dip of gain takes it off wherever
    it arises, to within 0.01 dB, by the mechanism that ends the limiter.

    Worth of oversampling, 6 dB over, folded energy from 20 Hz to 20 kHz re the fundamental at
    44.1 kHz: 5 kHz tone -53, -66, -78 dB at 4, 8, 16; 10 kHz tone -47, -59, -67 dB, which is what
    ideal filters leave. At 48 kHz the 10 kHz tone leaves -46, -57, -69 dB.

    Above 0.4535 of the sample rate (20 kHz at 44.1 kHz) the filters let go and what the signal
    holds there passes partly unclipped.

    The soft knee is a parabola of amplitude that leaves the straight line `knee` dB below the
    ceiling and meets the ceiling as far above it.
    """
    ceiling_dbfs, knee_db = float(settings["ceiling"]), float(settings["knee"])
    linked = bool(settings["link"])
    clipped = clip(
        samples,
        ceiling=from_db(ceiling_dbfs),
        threshold=from_db(ceiling_dbfs - knee_db),
        n_stages=int(settings["oversample"]).bit_length() - 1,
        linked=linked,
    )
    if settings["true_peak"]:
        trim_true_peaks(clipped, ceiling=from_db(ceiling_dbfs), link=float(linked))
    return clipped


def _reach(sample_rate_hz: int, settings: Settings) -> Reach:
    reach_frames = REACH_FRAMES + (TRIM_REACH_FRAMES if settings["true_peak"] else 0)
    return Reach(reach_frames, reach_frames)


def _untouched_dbfs(settings: Settings) -> float:
    return float(settings["ceiling"]) - float(settings["knee"]) - PEAK_ROOM_DB


EFFECT = Effect(
    name="clip",
    about="Cuts peaks off at a level; the loudest gain for the least of it on short peaks.",
    parameters=(
        Parameter(
            "ceiling",
            Kind.LEVEL,
            "level the waveform is cut off at, before band-limiting",
            minimum=-80,
            maximum=40,
        ),
        Parameter(
            "knee",
            Kind.GAIN,
            "how far below the ceiling the bend starts; 0 is a hard corner",
            default=0.0,
            minimum=0,
            maximum=24,
        ),
        Parameter(
            "oversample",
            Kind.COUNT,
            "times the sample rate at which it works",
            default=8,
            choices=(1, 2, 4, 8, 16, 32),
        ),
        Parameter(
            "link",
            Kind.SWITCH,
            "both sides share the gain of the louder one",
            default=False,
        ),
        Parameter(
            "true_peak",
            Kind.SWITCH,
            "a last quick dip of gain wherever band-limiting let the wave pass the ceiling",
            default=False,
        ),
    ),
    process=_process,
    odd=True,
    reach=_reach,
    untouched_dbfs=_untouched_dbfs,
    source=(
        "Hard clip and its harmonics in closed form; half-band cascade after P. P. Vaidyanathan, "
        "Multirate Systems and Filter Banks, 1993; anti-aliasing by oversampling after "
        "J. Kahles, F. Esqueda, V. Valimaki, J. Audio Eng. Soc. 67(6), 2019"
    ),
    notes=(
        "Band-limiting lets true peaks pass the ceiling again: drums clipped by 3, 6 and 12 dB by "
        "0.4, 0.5 and 1.4 dB, white noise, the worst of all, by 1.8, 2.9 and 4.5 dB; true_peak "
        "takes that off to within 0.01 dB. What stays below the bend passes bit for bit."
    ),
)
