"""Peak to short-term loudness ratio: how far peaks stand above what is heard around them."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_samples, to_db
from chainweigh.errors import SignalError
from chainweigh.kernels.loudness import count_hops, hop_edges
from chainweigh.measure.frames import faded_window
from chainweigh.measure.loudness import (
    HOP_MS,
    SHORT_TERM_MS,
    SILENT,
    TOO_SHORT,
    LoudnessEnergies,
    check_whole_rate,
    loudness_energies,
    loudness_of,
)

PSR_STEP_MS = 1000

Floats = NDArray[np.float64]
PeakMeter = Callable[[Samples, int], float]


@dataclass(frozen=True, eq=False)
class PeakToShortTerm:
    """True peak less short-term loudness of 3 s windows, each ending at one of times_s.

    `psr_min_db` is the densest window's ratio; None, with its reason in `undefined`, without any.
    """

    times_s: Floats
    psr_db: Floats
    psr_min_db: float | None
    undefined: Mapping[str, str] = field(default_factory=dict)


def measure_psr(
    samples: Samples,
    sample_rate_hz: int,
    *,
    true_peak: PeakMeter,
    energies: LoudnessEnergies | None = None,
) -> PeakToShortTerm:
    """Peak to short-term loudness ratio in dB: both over the same 3 s, one window a second.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), float32; 1 or 2 channels
    sample_rate_hz : int
    true_peak : meter that takes samples and rate and returns a linear true peak
    energies : of these samples, where they are at hand

    Raises
    ------
    SignalError
        Samples that break the array convention; a rate that is out of range or not whole;
        energies of another length or rate.

    Notes
    -----
    Windows of digital silence are left out, and with them those where only the weighting filter
    still rings. The meter sees each window with 64 frames of its
    surroundings on either side, faded, since a bare cut would ring and read high. Costs three
    passes of the meter.
    """
    check_samples(samples)
    check_whole_rate(sample_rate_hz)
    windows = _audible_windows(samples, int(sample_rate_hz), energies)
    if isinstance(windows, str):
        return PeakToShortTerm(np.empty(0), np.empty(0), None, {"psr_min_db": windows})
    peaks_db = np.array([windows.peak_db(i, true_peak) for i in range(len(windows.starts))])
    sounding = peaks_db > -np.inf
    if not sounding.any():
        return PeakToShortTerm(np.empty(0), np.empty(0), None, {"psr_min_db": SILENT})
    ratios = peaks_db[sounding] - windows.short_term_lufs[sounding]
    ends_s = windows.ends[sounding] / windows.sample_rate_hz
    return PeakToShortTerm(ends_s, ratios, float(ratios.min()))


def least_psr_db(
    samples: Samples, sample_rate_hz: int, *, true_peak: PeakMeter, energies: LoudnessEnergies
) -> tuple[float | None, str]:
    """The least ratio that `measure_psr` finds, and why there is none.

    Only windows whose sample peak leaves room for less are metered. `energies` are of these
    samples, which have been checked for them.
    """
    windows = _audible_windows(samples, int(sample_rate_hz), energies)
    if isinstance(windows, str):
        return None, windows
    at_least_db = windows.sample_peaks_db() - windows.short_term_lufs
    least_db = np.inf
    for i in np.argsort(at_least_db, kind="stable"):
        if at_least_db[i] >= least_db:
            break
        if at_least_db[i] > -np.inf:
            peak_db = windows.peak_db(int(i), true_peak)
            least_db = min(least_db, peak_db - float(windows.short_term_lufs[i]))
    return (least_db, "") if least_db < np.inf else (None, SILENT)


@dataclass(frozen=True, eq=False)
class _Windows:
    """Windows of 3 s, one a second, that hold any K-weighted energy, with their loudness."""

    samples: Samples
    sample_rate_hz: int
    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    short_term_lufs: Floats

    def peak_db(self, index: int, true_peak: PeakMeter) -> float:
        """True peak of one."""
        window = faded_window(self.samples, self.starts[index], self.ends[index])
        return to_db(true_peak(window, self.sample_rate_hz))

    def sample_peaks_db(self) -> Floats:
        """Sample peak of each, which its true peak is not below."""
        spans = zip(self.starts, self.ends, strict=True)
        windows = (self.samples[:, start:end] for start, end in spans)
        return np.array([to_db(max(float(w.max()), -float(w.min()))) for w in windows])


def _audible_windows(
    samples: Samples, sample_rate_hz: int, energies: LoudnessEnergies | None
) -> _Windows | str:
    """The windows, or why there are none."""
    n_hops = count_hops(samples.shape[1], sample_rate_hz)
    energies = energies or loudness_energies(samples, sample_rate_hz)
    if (len(energies.hop_energies), energies.sample_rate_hz) != (n_hops, sample_rate_hz):
        raise SignalError("energies are not those of the samples: another length or rate")
    powers = energies.window_powers(SHORT_TERM_MS, PSR_STEP_MS)
    audible = np.flatnonzero(powers)
    if not audible.size:
        return TOO_SHORT.format(SHORT_TERM_MS) if n_hops * HOP_MS < SHORT_TERM_MS else SILENT
    edges = hop_edges(n_hops, sample_rate_hz)
    starts = edges[audible * (PSR_STEP_MS // HOP_MS)]
    ends = edges[audible * (PSR_STEP_MS // HOP_MS) + SHORT_TERM_MS // HOP_MS]
    return _Windows(samples, sample_rate_hz, starts, ends, loudness_of(powers[audible]))
