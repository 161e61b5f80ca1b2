"""Compressor with soft knee."""

from chainweigh.audio.array import Samples
from chainweigh.effects.base import Effect, Kind, Parameter, Settings
from chainweigh.kernels.compress import Compression, compress_samples


def _compression(settings: Settings) -> Compression:
    return Compression(
        threshold_dbfs=float(settings["threshold"]),
        ratio=float(settings["ratio"]),
        knee_db=float(settings["knee"]),
        attack_ms=float(settings["attack"]),
        release_ms=float(settings["release"]),
        rms=settings["detector"] == "rms",
        link=float(settings["link"]) / 100,
        mix=float(settings["mix"]) / 100,
    )


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    if settings["ratio"] == 1 or settings["mix"] == 0:
        return samples.copy()
    return compress_samples(samples, sample_rate_hz, compression=_compression(settings))


EFFECT = Effect(
    name="compress",
    about="Turns down what is above the threshold, by a ratio, with attack and release.",
    parameters=(
        Parameter(
            "threshold",
            Kind.LEVEL,
            "level where reduction starts, the centre of the knee; in the detector's terms",
            minimum=-80,
            maximum=40,
        ),
        Parameter(
            "ratio",
            Kind.RATIO,
            "input change over output change above the knee",
            default=2.0,
            minimum=1,
            maximum=100,
        ),
        Parameter(
            "attack",
            Kind.TIME,
            "time constant of rising reduction (63 %)",
            default=10.0,
            minimum=0,
            maximum=1000,
        ),
        Parameter(
            "release",
            Kind.TIME,
            "time constant of falling reduction (63 %), after which the attack smooths once more",
            default=100.0,
            minimum=0,
            maximum=10_000,
        ),
        Parameter(
            "knee",
            Kind.GAIN,
            "width of the range in which the ratio sets in; 0 is a corner",
            default=6.0,
            minimum=0,
            maximum=40,
        ),
        Parameter(
            "detector",
            Kind.CHOICE,
            "magnitude of the samples, or root mean square over 10 ms (a full-scale sine is -3 dB)",
            default="peak",
            choices=("peak", "rms"),
        ),
        Parameter(
            "link",
            Kind.SHARE,
            "how far each side follows the side that is turned down more",
            default=100.0,
            minimum=0,
            maximum=100,
        ),
        Parameter(
            "mix",
            Kind.SHARE,
            "compressed part; the rest is input",
            default=100.0,
            minimum=0,
            maximum=100,
        ),
    ),
    process=_process,
    source="Giannoulis, Massberg, Reiss, JAES 60(6), 2012: log domain, smooth decoupled",
)
