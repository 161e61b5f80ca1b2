"""Spectrum in third octaves, and what a candidate changed of it.

Conventions
-----------
Bands as in IEC 61260-1: exact centres 1000 Hz * G**(k/3) with G = 10**0.3, edges a sixth of an
octave (G**(1/6)) to either side. A band's level is its mean square over the whole signal and over
channels, in dB re 1.0: a full-scale sine in one band reads -3.01. Filters are steep: the energy of
the spectrum between the edges, bins on an edge shared.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_pair, check_rate, check_samples
from chainweigh.errors import SignalError
from chainweigh.measure.frames import padded_frames, rate_scale

Floats = NDArray[np.float64]

OCTAVE_RATIO = 10.0**0.3
FIRST_BAND, LAST_BAND = -17, 13  # 20 Hz to 20 kHz
FRAME_FRAMES = 32_768  # up to 48 kHz: 3 bins in the 20 Hz band
FRAMES_AT_ONCE = 16

RANGE_DB = 40.0
FLAG_DB = 1.0
FLAG_HZ = (30.0, 120.0)

SILENT = "the signal is silent"
FAINT = f"more than {RANGE_DB:g} dB below the reference's loudest band"
REFERENCE_SILENT = "the reference is silent in this band"
CANDIDATE_SILENT = "the candidate is silent in this band"
NO_BAND = "no band is defined"


@dataclass(frozen=True)
class ThirdOctaves:
    """Mean square of each band.

    Attributes
    ----------
    centres_hz : exact centres; bands that reach beyond half the sample rate are left out
    levels_db : re 1.0; None where there is no energy at all
    """

    centres_hz: tuple[float, ...]
    levels_db: tuple[float | None, ...]


@dataclass(frozen=True)
class SpectrumChange:
    """Candidate less reference in third octaves.

    Attributes
    ----------
    centres_hz : exact centres
    change_db : one value a band; a None has its reason in `undefined` under "change_db at N Hz"
    largest_change_db, largest_change_hz : the change of largest magnitude, signed, and its band
    flagged_hz : bands centred between 30 and 120 Hz that changed by more than 1 dB
    undefined : reason of each field or band that is None
    """

    centres_hz: tuple[float, ...]
    change_db: tuple[float | None, ...]
    largest_change_db: float | None
    largest_change_hz: float | None
    flagged_hz: tuple[float, ...]
    undefined: Mapping[str, str] = field(default_factory=dict)


def band_centres_hz(sample_rate_hz: int) -> tuple[float, ...]:
    """Exact centres of the third-octave bands from 20 Hz that lie wholly below half the rate."""
    bands = np.arange(FIRST_BAND, LAST_BAND + 1)
    centres = 1000.0 * OCTAVE_RATIO ** (bands / 3)
    return tuple(map(float, centres[centres * OCTAVE_RATIO ** (1 / 6) <= sample_rate_hz / 2]))


def measure_third_octaves(samples: Samples, sample_rate_hz: int) -> ThirdOctaves:
    """Level of each third-octave band in dB re 1.0, over the whole signal.

    Parameters
    ----------
    samples : shape (n_channels, n_frames), float32; 1 or 2 channels
    sample_rate_hz : int

    Raises
    ------
    SignalError
        Samples or rate break the convention; no frames.

    Notes
    -----
    Averaged periodograms of 0.74 s (44.1 kHz) at half overlap; squares of their sine window add up
    to a constant and silence is taken to surround the signal, so that every sample counts alike. A
    tone leaks into the band two away by less than -45 dB and an octave away by less than -54 dB,
    the worst at 20 Hz. About 0.1 s for 30 s of stereo.

    References
    ----------
    IEC 61260-1:2014, 5.2 to 5.5 (from memory). P. D. Welch, IEEE Trans. Audio Electroacoust. 15(2),
    1967 (from memory).
    """
    check_samples(samples)
    check_rate(sample_rate_hz)
    if not samples.shape[1]:
        raise SignalError("no frames; a spectrum needs some")
    centres = band_centres_hz(sample_rate_hz)
    length = FRAME_FRAMES * rate_scale(sample_rate_hz)
    density = _mean_square_by_bin(samples, length)
    squares = _band_sums(density, centres, sample_rate_hz / length)
    levels = (float(10.0 * np.log10(s)) if s > 0 else None for s in squares)
    return ThirdOctaves(centres, tuple(levels))


def compare_third_octaves(reference: ThirdOctaves, candidate: ThirdOctaves) -> SpectrumChange:
    """Change of each band in dB, candidate less reference, from levels at hand.

    Raises
    ------
    SignalError
        Bands of different sample rates.

    Notes
    -----
    A band that stays more than 40 dB below the reference's loudest, before and after, is undefined:
    there is nothing of the programme's tone in it.
    """
    if reference.centres_hz != candidate.centres_hz:
        raise SignalError("reference and candidate have different bands; compare at one rate")
    centres = reference.centres_hz
    levels = [level for level in reference.levels_db if level is not None]
    faintest = max(levels, default=0.0) - RANGE_DB
    changes: list[float | None] = []
    undefined: dict[str, str] = {}
    for centre, before, after in zip(
        centres, reference.levels_db, candidate.levels_db, strict=True
    ):
        change, reason = _band_change(before, after, faintest)
        changes.append(change)
        if reason:
            undefined[f"change_db at {centre:.4g} Hz"] = reason
    known = [(c, hz) for c, hz in zip(changes, centres, strict=True) if c is not None]
    if not known:
        why = NO_BAND if levels else SILENT
        undefined |= dict.fromkeys(("largest_change_db", "largest_change_hz"), why)
        return SpectrumChange(centres, tuple(changes), None, None, (), undefined)
    largest_db, largest_hz = max(known, key=lambda pair: abs(pair[0]))
    flagged = (hz for c, hz in known if abs(c) > FLAG_DB and FLAG_HZ[0] <= hz <= FLAG_HZ[1])
    return SpectrumChange(
        centres, tuple(changes), largest_db, largest_hz, tuple(flagged), undefined
    )


def measure_spectrum_change(
    reference: Samples, candidate: Samples, sample_rate_hz: int
) -> SpectrumChange:
    """Third-octave change in dB of a candidate matched in loudness to its reference.

    Parameters
    ----------
    reference, candidate : shape (n_channels, n_frames)

    Raises
    ------
    SignalError
        Arrays or rate break the convention; shapes differ; no frames.

    Notes
    -----
    As `measure_third_octaves` and `compare_third_octaves`.
    """
    check_pair(reference, candidate)
    return compare_third_octaves(
        measure_third_octaves(reference, sample_rate_hz),
        measure_third_octaves(candidate, sample_rate_hz),
    )


def _band_change(
    before: float | None, after: float | None, faintest_db: float
) -> tuple[float | None, str]:
    if before is None:
        return None, REFERENCE_SILENT
    if max(before, before if after is None else after) < faintest_db:
        return None, FAINT
    if after is None:
        return None, CANDIDATE_SILENT
    return after - before, ""


def _mean_square_by_bin(samples: Samples, length: int) -> Floats:
    """One-sided spectrum whose sum is the mean square over frames and channels."""
    from scipy.fft import rfft

    hop = length // 2
    n_hops = -(-(samples.shape[1] + length - hop) // hop)
    window = np.sin(np.pi * (np.arange(length) + 0.5) / length).astype(np.float32)
    power = np.zeros(length // 2 + 1)
    for channel in samples:
        for _, frames in padded_frames(
            channel, length, hop, lead=length - hop, n_frames=n_hops, size=FRAMES_AT_ONCE
        ):
            spectra = rfft(frames * window)
            power += np.sum(spectra.real**2 + spectra.imag**2, axis=0, dtype=np.float64)
    power[1:-1] *= 2
    return np.asarray(power / (length * samples.size))


def _band_sums(density: Floats, centres_hz: tuple[float, ...], bin_hz: float) -> Floats:
    """Energy between each band's edges; bin k holds what lies from k - 1/2 to k + 1/2."""
    total = np.concatenate([[0.0], np.cumsum(density)])
    centres = np.asarray(centres_hz)
    edges = np.stack([centres, centres]) * OCTAVE_RATIO ** np.array([[-1 / 6], [1 / 6]])
    below = np.interp(edges / bin_hz + 0.5, np.arange(len(total)), total)
    return np.asarray(np.maximum(below[1] - below[0], 0.0))
