"""Intermodulation of two tones at the programme's peak, by two standard pairs.

Conventions
-----------
Percentages are of amplitudes. The pair's amplitudes add up to the peak level asked for.

- Modulation distortion, SMPTE RP120: 60 Hz and 7 kHz, 4:1. After IEC 60268-3, side-bands are read
  as amplitude modulation of the upper tone, pair by pair, and the pairs add in power:
  d2 = (U(fH - fL) + U(fH + fL)) / U(fH), d3 likewise at fH +- 2 fL, total = sqrt(d2^2 + d3^2).
  Adding all four side-bands in power instead would read 3.01 dB less.
- Difference tone, after CCIF and IEC 60268-3: 19 and 20 kHz, 1:1.
  d2 = U(f2 - f1) / (U(f1) + U(f2)), d3 = (U(2 f1 - f2) + U(2 f2 - f1)) / (U(f1) + U(f2)).

A pair is left out where its highest product does not fit below half the rate: modulation distortion
below 14.3 kHz, the difference tone below 42.1 kHz.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_rate, from_db
from chainweigh.measure.coherent import (
    N_ANALYSIS_FRAMES,
    SILENT_SHARE,
    SegmentPlan,
    check_peak,
    nearest_odd_bin,
    power_spectra,
    unit_sine,
)


@dataclass(frozen=True)
class TonePair:
    """Two tones in one segment: nominal frequencies, odd bins, and shares of the peak."""

    low_hz: float
    high_hz: float
    low_bin: int
    high_bin: int
    low_share: float
    high_share: float


@dataclass(frozen=True)
class ImdPlan:
    """Which pairs are played at this rate and peak level; None where one does not fit."""

    sample_rate_hz: int
    peak_dbfs: float
    modulation: TonePair | None
    difference: TonePair | None

    @property
    def pairs(self) -> tuple[TonePair, ...]:
        """Pairs in the order they are played."""
        return tuple(pair for pair in (self.modulation, self.difference) if pair is not None)

    @property
    def segments(self) -> SegmentPlan:
        """Where the pairs lie in the signal."""
        return SegmentPlan(self.sample_rate_hz, len(self.pairs))

    @property
    def n_frames(self) -> int:
        """Length of the signal in frames."""
        return self.segments.n_frames


@dataclass(frozen=True)
class ImdResults:
    """Intermodulation in percent of amplitude; `undefined` says why a field is None.

    Attributes
    ----------
    modulation_d2_pct, modulation_d3_pct, modulation_pct : float or None
        60 Hz + 7 kHz, 4:1: second order, third order, and the root of their squares' sum.
    difference_d2_pct, difference_d3_pct : float or None
        19 + 20 kHz: second and third order.
    """

    modulation_d2_pct: float | None = None
    modulation_d3_pct: float | None = None
    modulation_pct: float | None = None
    difference_d2_pct: float | None = None
    difference_d3_pct: float | None = None
    undefined: Mapping[str, str] = field(default_factory=dict)


MODULATION_FIELDS = ("modulation_d2_pct", "modulation_d3_pct", "modulation_pct")
DIFFERENCE_FIELDS = ("difference_d2_pct", "difference_d3_pct")


def imd_plan(sample_rate_hz: int, peak_dbfs: float) -> ImdPlan:
    """Tone pairs for a programme with this sample peak.

    Raises
    ------
    SignalError
        Rate outside 8000 to 384000 Hz, or peak level not finite or outside -120 to +40 dBFS.
    """
    check_rate(sample_rate_hz)
    check_peak(peak_dbfs)
    modulation = _pair(sample_rate_hz, 60.0, 7_000.0, low_share=0.8)
    difference = _pair(sample_rate_hz, 19_000.0, 20_000.0, low_share=0.5)
    half = N_ANALYSIS_FRAMES // 2
    return ImdPlan(
        sample_rate_hz=sample_rate_hz,
        peak_dbfs=float(peak_dbfs),
        modulation=modulation if modulation.high_bin + 2 * modulation.low_bin < half else None,
        difference=difference if 2 * difference.high_bin - difference.low_bin < half else None,
    )


def _pair(sample_rate_hz: int, low_hz: float, high_hz: float, *, low_share: float) -> TonePair:
    low_bin = nearest_odd_bin(low_hz, sample_rate_hz)
    high_bin = nearest_odd_bin(high_hz, sample_rate_hz)
    if high_bin % low_bin == 0:  # a harmonic of the lower tone would fall on a side-band
        high_bin += 2
    return TonePair(low_hz, high_hz, low_bin, high_bin, low_share, 1.0 - low_share)


def imd_signal(plan: ImdPlan) -> Samples:
    """The pairs of a plan in one signal, shape (1, plan.n_frames).

    Each settles for 1 s, is analysed over 65536 frames, and goes on for a guard of 0.2 s.
    """
    n_frames = plan.segments.n_segment_frames + plan.segments.n_fade_frames
    gain = from_db(plan.peak_dbfs)
    return plan.segments.join((_unit_pair(pair, n_frames), gain) for pair in plan.pairs)


@lru_cache(maxsize=4)
def _unit_pair(pair: TonePair, n_frames: int) -> NDArray[np.float32]:
    low = pair.low_share * unit_sine(pair.low_bin, n_frames)
    both = (low + pair.high_share * unit_sine(pair.high_bin, n_frames)).astype(np.float32)
    both.flags.writeable = False
    return both


def measure_imd(output: Samples, plan: ImdPlan) -> ImdResults:
    """Modulation distortion and difference-tone distortion, in percent.

    Parameters
    ----------
    output : shape (1 or 2, >= plan.n_frames), float32
        What a process made of `imd_signal(plan)`, aligned with it in time; a tail is ignored.
    plan : ImdPlan

    Raises
    ------
    SignalError
        `output` breaks the array convention or is shorter than the signal.

    Notes
    -----
    Stereo powers add. A pair that came back without its tones, or does not fit the rate, gives None
    and a reason. A bypass reads about 1e-6 %.

    References
    ----------
    SMPTE RP 120; IEC 60268-3, modulation distortion and difference-frequency distortion.
    """
    windows = plan.segments.windows(output, what="intermodulation output")
    amplitudes = iter(np.sqrt(2.0 * power_spectra(windows)))
    values: dict[str, float] = {}
    undefined: dict[str, str] = {}
    for pair, fields, read in (
        (plan.modulation, MODULATION_FIELDS, _modulation),
        (plan.difference, DIFFERENCE_FIELDS, _difference),
    ):
        if pair is None:
            reason = f"its products do not fit below half of {plan.sample_rate_hz} Hz"
            undefined.update(dict.fromkeys(fields, reason))
            continue
        readings = read(next(amplitudes), pair)
        if readings is None:
            reason = f"{pair.high_hz:g} Hz came back silent"
            undefined.update(dict.fromkeys(fields, reason))
        else:
            values.update(zip(fields, readings, strict=True))
    return ImdResults(**values, undefined=undefined)


def _modulation(amplitude: NDArray[np.float64], pair: TonePair) -> tuple[float, ...] | None:
    low, high = pair.low_bin, pair.high_bin
    carrier = amplitude[high]
    if _silent(carrier, amplitude):
        return None
    d2 = 100.0 * float((amplitude[high - low] + amplitude[high + low]) / carrier)
    d3 = 100.0 * float((amplitude[high - 2 * low] + amplitude[high + 2 * low]) / carrier)
    return d2, d3, float(np.hypot(d2, d3))


def _difference(amplitude: NDArray[np.float64], pair: TonePair) -> tuple[float, ...] | None:
    f1, f2 = pair.low_bin, pair.high_bin
    tones = amplitude[f1] + amplitude[f2]
    if _silent(tones, amplitude):
        return None
    d2 = 100.0 * float(amplitude[f2 - f1] / tones)
    d3 = 100.0 * float((amplitude[2 * f1 - f2] + amplitude[2 * f2 - f1]) / tones)
    return d2, d3


def _silent(tone: float, amplitude: NDArray[np.float64]) -> bool:
    return bool(tone**2 <= SILENT_SHARE * np.square(amplitude).sum())
