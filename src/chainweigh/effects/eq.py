"""One equaliser band a stage: peak, shelves, tilt and cuts.

Notes
-----
Both phases follow the analog curves of the Audio EQ Cookbook without the squeeze towards half the
sample rate that a plain digital design has. Up to 20 kHz at 44.1 kHz (the same share of other
rates) linear phase deviates by at most 0.02 dB down to -60 dB. Minimum phase deviates by at most
0.15 dB at up to 12 dB of gain, for a peak of any q and a shelf or tilt of q up to 1; a shelf or
tilt that resonates by 0.25 dB at q = 2, 0.7 dB at 4, 2.5 dB at 10, between 5 and 20 kHz; with up
to 24 dB of gain a peak by 0.28 dB, a shelf or tilt of q up to 1 by 0.1 dB; a cut of plain q by
0.11 dB for each 12 dB/oct, and where it leaves less than -24 dB by 0.001 of full amplitude. Bands
below 1 kHz deviate by far less.
What a band rings before the first and after the last frame is cut off.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.effects.base import Effect, Kind, Parameter, Settings
from chainweigh.effects.eq_curve import BANDS, BUTTERWORTH_Q, CUTS, analog_sections
from chainweigh.effects.eq_linear import filter_aligned, half_frames, symmetric_taps
from chainweigh.effects.eq_match import HIGHEST_SHARE, matched_row
from chainweigh.errors import ChainFileError
from chainweigh.kernels.biquad import filter_sections

GENTLEST_SLOPE = 12
LONGEST_RING_S = 0.5


def sections(sample_rate_hz: float, settings: Settings) -> NDArray[np.float64]:
    """Second-order sections of a band of minimum phase, rows b0 b1 b2 a1 a2 with a0 = 1."""
    frequency_hz = float(settings["frequency"])
    return np.array(
        [matched_row(each, frequency_hz, sample_rate_hz) for each in analog_sections(settings)]
    )


def joins(settings: Mapping[str, object]) -> bool:
    """True for a band that `process_bands` takes: minimum phase, both sides.

    `settings` may leave out what has its default.
    """
    return (
        settings.get("phase", "minimum") == "minimum" and settings.get("on", "stereo") == "stereo"
    )


def process_bands(samples: Samples, sample_rate_hz: int, bands: Sequence[Settings]) -> Samples:
    """Several bands that join, in one go: four sections take the time of one.

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
    if joins(settings) or _is_neutral(settings):
        return process_bands(samples, sample_rate_hz, [settings])
    if settings["on"] == "stereo":
        return _filtered(samples, sample_rate_hz, settings)
    part = _part(samples, settings)
    change = _filtered(part, sample_rate_hz, settings) - part
    out = samples.copy()
    out[0] += change[0]
    if len(samples) == 2:
        out[1] += change[0] if settings["on"] == "mid" else -change[0]
    return out


def _part(samples: Samples, settings: Settings) -> Samples:
    """Mid or side, shape (1, n_frames); a mono signal is all mid."""
    left, right = samples[:1], samples[-1:]
    half = np.float32(0.5)
    return half * left + half * right if settings["on"] == "mid" else half * left - half * right


def _filtered(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    if settings["phase"] == "minimum":
        return filter_sections(samples, sections(sample_rate_hz, settings))
    frequency_hz = float(settings["frequency"])
    taps = symmetric_taps(analog_sections(settings), frequency_hz, sample_rate_hz)
    return filter_aligned(samples, taps)


def _check_at_rate(sample_rate_hz: int, settings: Settings) -> None:
    shape, frequency_hz = settings["shape"], float(settings["frequency"])
    highest_hz = HIGHEST_SHARE * sample_rate_hz
    if frequency_hz > highest_hz:
        raise ChainFileError(
            f'eq: "frequency" is {frequency_hz:g} Hz; at {sample_rate_hz} Hz sample rate it must '
            f"be at most {highest_hz:.0f} Hz"
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
    reach_s = half_frames(analog_sections(settings), frequency_hz, sample_rate_hz) / sample_rate_hz
    if settings["phase"] == "linear" and reach_s > LONGEST_RING_S:
        raise ChainFileError(
            f"eq: with linear phase this band would ring {reach_s:.2f} s before and after each "
            f"sound; at most {LONGEST_RING_S:g} s is allowed: raise the frequency, lower q or "
            'slope, or use phase = "minimum"'
        )


EFFECT = Effect(
    name="eq",
    about="One equaliser band: a peak, a shelf, a tilt or a cut; minimum or linear phase.",
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
        Parameter(
            "phase",
            Kind.CHOICE,
            "minimum: like a console's, shifts phase near the band and never rings ahead; linear: "
            "shifts none, rings before a sound as after it",
            default="minimum",
            choices=("minimum", "linear"),
        ),
        Parameter(
            "on",
            Kind.CHOICE,
            "what it filters: both sides, only what they share (mid), or only what differs (side); "
            "a mono file is all mid",
            default="stereo",
            choices=("stereo", "mid", "side"),
        ),
    ),
    process=_process,
    check_at_rate=_check_at_rate,
    notes=(
        "Follows the analog curve up to 20 kHz at 44.1 kHz: linear phase within 0.02 dB; minimum "
        "phase within 0.15 dB at up to 12 dB of gain, except for a shelf or tilt that resonates "
        "high up (0.25 dB at q = 2, 2.5 dB at q = 10) and for steep cuts (0.11 dB for each 12 "
        "dB/oct)."
    ),
    source="R. Bristow-Johnson, Audio EQ Cookbook (W3C Working Group Note, 2021): analog curves",
)
