"""Loudness and peak-to-loudness over time, of one file."""

from dataclasses import dataclass

from chainweigh.audio.array import Samples
from chainweigh.measure.loudness import (
    HOP_MS,
    MOMENTARY_MS,
    SHORT_TERM_MS,
    LoudnessSeries,
    loudness_energies,
)
from chainweigh.measure.psr import PeakToShortTerm, measure_psr
from chainweigh.measure.true_peak import true_peak


@dataclass(frozen=True, eq=False)
class LevelSeries:
    """What the maxima of a file are the maxima of; each value stands at its window's end.

    Attributes
    ----------
    momentary : 400 ms windows every 10 ms
    short_term : 3 s windows every 10 ms
    psr : true peak less short-term loudness, every second
    integrated_lufs : of the whole file; None where undefined
    """

    momentary: LoudnessSeries
    short_term: LoudnessSeries
    psr: PeakToShortTerm
    integrated_lufs: float | None


def measure_series(samples: Samples, sample_rate_hz: int) -> LevelSeries:
    """Momentary and short-term loudness in LUFS and PSR in dB over time.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), float32; 1 or 2 channels
    sample_rate_hz : int

    Raises
    ------
    SignalError
        Samples that break the array convention; a rate that is out of range or not whole.

    Notes
    -----
    A file shorter than a window has an empty series. Windows of digital silence read -inf in the
    loudness series and are left out of PSR.

    References
    ----------
    EBU Tech 3341 version 4.0 (2023); EBU Tech 3343 for PLR, of which PSR is the short-term form.
    """
    energies = loudness_energies(samples, sample_rate_hz)
    return LevelSeries(
        energies.series(MOMENTARY_MS, HOP_MS),
        energies.series(SHORT_TERM_MS, HOP_MS),
        measure_psr(samples, sample_rate_hz, true_peak=true_peak, energies=energies),
        energies.integrated_lufs(),
    )
