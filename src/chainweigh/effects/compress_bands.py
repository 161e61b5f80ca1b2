"""A compressor for each of two to four frequency bands.

Notes
-----
The bands have the magnitudes of Linkwitz-Riley bands of 24 dB/oct, -6 dB at the split, but none of
their phase: a deviation from the causal crossover, whose bands add up to an all-pass. Each low-pass
is a Butterworth filter of second order run forwards and then backwards, and a band is the
difference of two neighbouring low-passes: the bands add up to the input itself, in magnitude and in
phase. What a compressor takes from its band is taken from the input, so while none works every bit
passes. Running backwards, a filter rings before a sound as after it: 100 dB down after 26 ms at 100
Hz, in proportion to what is being turned down.

References
----------
S. H. Linkwitz: Active Crossover Networks for Noncoincident Drivers. Journal of the Audio
Engineering Society 24(1), 1976.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import ceil, log, pi, sqrt

import numpy as np

from chainweigh.audio.array import Samples, padded
from chainweigh.effects import compress
from chainweigh.effects.base import Effect, Kind, Parameter, Settings
from chainweigh.effects.eq_match import HIGHEST_SHARE
from chainweigh.errors import ChainFileError
from chainweigh.kernels.biquad import bilinear_section, filter_sections
from chainweigh.kernels.compress import Compression, compress_samples

SPLITS = ("split_1", "split_2", "split_3")
MAX_BANDS = len(SPLITS) + 1
NEVER_DBFS = 40.0
RINGS_FOR = sqrt(2.0) * log(10 ** (100 / 20)) / (2 * pi)  # periods of the split until 100 dB down


def split_bands(
    samples: Samples, sample_rate_hz: int, splits_hz: Sequence[float]
) -> Iterator[Samples]:
    """Bands from the lowest up, each of the input's shape; they add up to the input."""
    below = np.zeros_like(samples)
    for split_hz in splits_hz:
        low = _low_pass(samples, sample_rate_hz, split_hz)
        yield np.subtract(low, below, out=below)
        below = low
    yield np.subtract(samples, below, out=below)


def _low_pass(samples: Samples, sample_rate_hz: int, split_hz: float) -> Samples:
    prototype = (1.0, 0.0, 0.0), (1.0, sqrt(2.0), 1.0)
    rows = np.array([bilinear_section(*prototype, split_hz, sample_rate_hz)])
    forwards = filter_sections(samples, rows)
    backwards = filter_sections(np.ascontiguousarray(forwards[:, ::-1]), rows)
    return np.ascontiguousarray(backwards[:, ::-1])


def _splits_hz(settings: Settings) -> list[float]:
    return [float(settings[name]) for name in SPLITS if settings[name] != 0]


def _compression(settings: Settings, band: int) -> Compression | None:
    """What a band's compressor does; None where it does nothing."""
    ratio, threshold = float(settings[f"ratio_{band}"]), float(settings[f"threshold_{band}"])
    if ratio == 1 or threshold == NEVER_DBFS or settings["mix"] == 0:
        return None
    return Compression(
        threshold_dbfs=threshold,
        ratio=ratio,
        knee_db=float(settings["knee"]),
        attack_ms=float(settings[f"attack_{band}"]),
        release_ms=float(settings[f"release_{band}"]),
        rms=settings["detector"] == "rms",
        link=float(settings["link"]) / 100,
        mix=float(settings["mix"]) / 100,
    )


def _compressions(settings: Settings) -> list[Compression | None]:
    return [_compression(settings, band + 1) for band in range(len(_splits_hz(settings)) + 1)]


def _tail_frames(sample_rate_hz: int, settings: Settings) -> int:
    if not any(_compressions(settings)):
        return 0
    return ceil(RINGS_FOR * sample_rate_hz / min(_splits_hz(settings)))


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    compressions = _compressions(settings)
    if not any(compressions):
        return samples.copy()
    whole = padded(samples, samples.shape[1] + _tail_frames(sample_rate_hz, settings))
    out = whole.copy()
    bands = split_bands(whole, sample_rate_hz, _splits_hz(settings))
    for band, compression in zip(bands, compressions, strict=True):
        if compression is not None:
            change = compress_samples(band, sample_rate_hz, compression=compression)
            change -= band
            out += change
    return out


def _check_at_rate(sample_rate_hz: int, settings: Settings) -> None:
    _check_splits(sample_rate_hz, settings)
    n_bands = len(_splits_hz(settings)) + 1
    usual = {p.name: p.default for p in (compress.RATIO, compress.ATTACK, compress.RELEASE)}
    for band in range(1, MAX_BANDS + 1):
        idle = settings[f"threshold_{band}"] == NEVER_DBFS
        if not idle and band > n_bands:
            raise ChainFileError(
                f'compress_bands: "threshold_{band}" is given, but there are {n_bands} bands; '
                f'leave it out, or give "split_{band - 1}"'
            )
        for name, default in usual.items():
            if idle and settings[f"{name}_{band}"] != default:
                raise ChainFileError(
                    f'compress_bands: "{name}_{band}" is given without "threshold_{band}"; band '
                    f"{band} would do nothing"
                )


def _check_splits(sample_rate_hz: int, settings: Settings) -> None:
    given, highest_hz = _splits_hz(settings), HIGHEST_SHARE * sample_rate_hz
    if any(settings[name] != 0 for name in SPLITS[len(given) :]):
        raise ChainFileError(
            f"compress_bands: {len(given)} splits must be {', '.join(SPLITS[: len(given)])}; one "
            "before them is missing"
        )
    for name, hz, lower_hz in zip(SPLITS, given, [0.0, *given], strict=False):
        if hz <= lower_hz:
            raise ChainFileError(
                f'compress_bands: "{name}" is {hz:g} Hz; it must be above the split before it, '
                f"{lower_hz:g} Hz"
            )
        if hz > highest_hz:
            raise ChainFileError(
                f'compress_bands: "{name}" is {hz:g} Hz; at {sample_rate_hz} Hz sample rate it '
                f"must be at most {highest_hz:.0f} Hz"
            )


def _split_parameters() -> Iterator[Parameter]:
    yield Parameter(
        SPLITS[0],
        Kind.FREQUENCY,
        "where band 1, the lowest, gives way to band 2",
        minimum=20,
        maximum=20_000,
    )
    for band, name in enumerate(SPLITS[1:], start=2):
        yield Parameter(
            name,
            Kind.FREQUENCY,
            f"where band {band} gives way to band {band + 1}; 0 Hz: there is no band {band + 1}",
            default=0.0,
            minimum=0,
            maximum=20_000,
        )


def _band_parameters(band: int) -> Iterator[Parameter]:
    yield replace(
        compress.THRESHOLD,
        name=f"threshold_{band}",
        about=f"level in band {band} above which it is turned down (rms, peak and the like are "
        "those of the whole sound); a band without it is left alone",
        default=NEVER_DBFS,
    )
    yield replace(
        compress.RATIO,
        name=f"ratio_{band}",
        about=f"dB in for each dB out of band {band} above the knee",
    )
    yield replace(
        compress.ATTACK,
        name=f"attack_{band}",
        about=f"how fast band {band} is turned down: 63 % of the way in this time",
    )
    yield replace(
        compress.RELEASE,
        name=f"release_{band}",
        about=f"how fast band {band} comes back: 63 % of the way in this time",
    )


EFFECT = Effect(
    name="compress_bands",
    about="Two to four frequency bands, each with its own compressor; the bands add up flat.",
    parameters=(
        *_split_parameters(),
        *(p for band in range(1, MAX_BANDS + 1) for p in _band_parameters(band)),
        compress.KNEE,
        compress.DETECTOR,
        compress.LINK,
        compress.MIX,
    ),
    process=_process,
    tail_frames=_tail_frames,
    check_at_rate=_check_at_rate,
    source="S. H. Linkwitz, JAES 24(1), 1976; compressors as in compress",
)
