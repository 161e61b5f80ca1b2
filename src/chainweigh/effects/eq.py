"""One equaliser band a stage: peak, shelves, tilt and cuts."""

from collections.abc import Sequence
from math import cos, pi, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.effects.base import Effect, Kind, Parameter, Settings
from chainweigh.errors import ChainFileError
from chainweigh.kernels.biquad import filter_sections

BUTTERWORTH_Q = sqrt(0.5)
DB_PER_OCTAVE_PER_SECTION = 12
CUTS = ("low_cut", "high_cut")
GENTLEST_SLOPE = 12

Row = list[float]


def sections(sample_rate_hz: float, settings: Settings) -> NDArray[np.float64]:
    """Second-order sections of a band, rows b0 b1 b2 a1 a2 with a0 = 1."""
    shape = str(settings["shape"])
    frequency_hz, q = float(settings["frequency"]), float(settings["q"])
    if shape in CUTS:
        n_sections = int(settings["slope"]) // DB_PER_OCTAVE_PER_SECTION
        return np.array([_cut(shape, sample_rate_hz, frequency_hz, v) for v in _qs(n_sections, q)])
    return np.array([BANDS[shape](sample_rate_hz, frequency_hz, float(settings["gain"]), q)])


def _normalised(b: Row, a: Row) -> Row:
    return [b[0] / a[0], b[1] / a[0], b[2] / a[0], a[1] / a[0], a[2] / a[0]]


def _peak(sample_rate_hz: float, frequency_hz: float, gain_db: float, q: float) -> Row:
    w = 2 * pi * frequency_hz / sample_rate_hz
    amplitude, alpha = 10 ** (gain_db / 40), sin(w) / (2 * q)
    middle = -2 * cos(w)
    return _normalised(
        [1 + alpha * amplitude, middle, 1 - alpha * amplitude],
        [1 + alpha / amplitude, middle, 1 - alpha / amplitude],
    )


def _shelf(sample_rate_hz: float, frequency_hz: float, gain_db: float, q: float, side: int) -> Row:
    """Low shelf for side 1; high shelf for -1, its mirror image about a quarter of the rate."""
    w = 2 * pi * frequency_hz / sample_rate_hz
    g, cosine = 10 ** (gain_db / 40), side * cos(w)
    width = sqrt(g) * sin(w) / q
    up, down = g + 1, g - 1
    return _normalised(
        [
            g * (up - down * cosine + width),
            side * 2 * g * (down - up * cosine),
            g * (up - down * cosine - width),
        ],
        [
            up + down * cosine + width,
            side * -2 * (down + up * cosine),
            up + down * cosine - width,
        ],
    )


def _low_shelf(sample_rate_hz: float, frequency_hz: float, gain_db: float, q: float) -> Row:
    return _shelf(sample_rate_hz, frequency_hz, gain_db, q, 1)


def _high_shelf(sample_rate_hz: float, frequency_hz: float, gain_db: float, q: float) -> Row:
    return _shelf(sample_rate_hz, frequency_hz, gain_db, q, -1)


def _tilt(sample_rate_hz: float, frequency_hz: float, gain_db: float, q: float) -> Row:
    """High shelf turned down by half its gain: 0 dB at the frequency itself."""
    b0, b1, b2, a1, a2 = _high_shelf(sample_rate_hz, frequency_hz, gain_db, q)
    half = 10 ** (-gain_db / 40)
    return [b0 * half, b1 * half, b2 * half, a1, a2]


def _cut(shape: str, sample_rate_hz: float, frequency_hz: float, q: float) -> Row:
    w = 2 * pi * frequency_hz / sample_rate_hz
    alpha = sin(w) / (2 * q)
    sign = 1 if shape == "high_cut" else -1
    b = (1 - sign * cos(w)) / 2
    return _normalised([b, sign * 2 * b, b], [1 + alpha, -2 * cos(w), 1 - alpha])


def _qs(n_sections: int, q: float) -> list[float]:
    """Q of each section of a Butterworth cut; `q` scales that of the most resonant one."""
    order = 2 * n_sections
    qs = [0.5 / cos(pi * (2 * k + 1) / (2 * order)) for k in range(n_sections)]
    return [*qs[:-1], qs[-1] * (q / BUTTERWORTH_Q)]


BANDS = {"peak": _peak, "low_shelf": _low_shelf, "high_shelf": _high_shelf, "tilt": _tilt}


def process_bands(samples: Samples, sample_rate_hz: int, bands: Sequence[Settings]) -> Samples:
    """Several bands in one go: four sections take the time of one.

    Notes
    -----
    Unlike one stage after the other, nothing is rounded to float32 between the bands. Bands that
    change nothing are left out; with none left, every bit passes.
    """
    rows = [sections(sample_rate_hz, band) for band in bands if not _is_neutral(band)]
    if not rows:
        return samples.copy()
    return filter_sections(samples, np.concatenate(rows))


def _is_neutral(settings: Settings) -> bool:
    return settings["shape"] in BANDS and settings["gain"] == 0


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    return process_bands(samples, sample_rate_hz, [settings])


def _check_at_rate(sample_rate_hz: int, settings: Settings) -> None:
    shape, frequency_hz = settings["shape"], float(settings["frequency"])
    if frequency_hz >= sample_rate_hz / 2:
        raise ChainFileError(
            f'eq: "frequency" is {frequency_hz:g} Hz; at {sample_rate_hz} Hz sample rate it must '
            f"be below {sample_rate_hz / 2:g} Hz"
        )
    if shape in CUTS and settings["gain"] != 0:
        raise ChainFileError(
            f'eq: "gain" is {settings["gain"]:g} dB, but a {shape} has no gain; leave it out'
        )
    if shape not in CUTS and settings["slope"] != GENTLEST_SLOPE:
        raise ChainFileError(
            f'eq: "slope" is {settings["slope"]:g} dB/oct, but only {" and ".join(CUTS)} have one; '
            "leave it out"
        )


EFFECT = Effect(
    name="eq",
    about="One equaliser band: a peak, a shelf, a tilt or a cut.",
    parameters=(
        Parameter("shape", Kind.CHOICE, "what the band does", choices=(*BANDS, *CUTS)),
        Parameter(
            "frequency",
            Kind.FREQUENCY,
            "centre of a peak, half gain of a shelf, 0 dB of a tilt, -3 dB of a cut",
            minimum=10,
            maximum=80_000,
        ),
        Parameter(
            "gain",
            Kind.GAIN,
            "of a peak or shelf; of a tilt, highs less lows; none for cuts",
            default=0.0,
            minimum=-40,
            maximum=40,
        ),
        Parameter(
            "q",
            Kind.RATIO,
            "narrowness of a peak, steepness of a shelf or tilt, resonance of a cut",
            default=BUTTERWORTH_Q,
            minimum=0.1,
            maximum=40,
        ),
        Parameter(
            "slope",
            Kind.SLOPE,
            "steepness of a cut",
            default=GENTLEST_SLOPE,
            choices=(12, 24, 36, 48),
        ),
    ),
    process=_process,
    check_at_rate=_check_at_rate,
    source="R. Bristow-Johnson, Audio EQ Cookbook (W3C Working Group Note, 2021)",
)
