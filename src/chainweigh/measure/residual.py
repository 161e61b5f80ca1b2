"""What is left of a candidate when its tone and its slow gain movement are explained.

The fitted reference is the reference through one static FIR for the song, times octave-band gains
that may move no faster than a 200 ms Hann window lets them. The residual is what remains:
distortion, noise, pumping faster than that. How far the gains moved is reported beside it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_pair, check_rate, check_samples, is_mono
from chainweigh.kernels.residual import residual_sums, side_by_side
from chainweigh.measure.fit import fit_linear
from chainweigh.measure.frames import frame_length, is_active
from chainweigh.measure.linear_fit import LinearFit, apply_fit
from chainweigh.measure.octave_gains import (
    BandEnergies,
    apply_gains,
    frame_centre_s,
    share_gains,
    widest_movement,
)

Floats = NDArray[np.float64]

LOW_BAND_HZ = (30.0, 80.0)
LOW_BAND_SHARE = 1e-6
HANN_POWER = 3 / 8  # mean square of the window
FLOOR_DB = -110.0  # float32 transforms leave about -130 dB


@dataclass(frozen=True)
class FittedReference:
    """The reference as the candidate's tone and slow gain would have it.

    Attributes
    ----------
    samples : float32, shape (n_channels, n_frames): static fit times octave-band gains
    fit : the static fit
    gain_movement_db : 95th minus 5th percentile of the gains, in the band where it is largest
    gain_low_s : where that 5th percentile is met
    undefined : field name -> reason
    """

    samples: Samples
    fit: LinearFit
    gain_movement_db: float | None
    gain_low_s: float | None = None
    undefined: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Residual:
    """Candidate minus fitted reference.

    Attributes
    ----------
    sdr_db : energy of the fitted reference over that of the residual
    residual_pct : rms of the residual in % of the candidate's
    low_band_residual_db : residual re candidate, both 30 to 80 Hz, where the ear model is deaf
    gain_movement_db, gain_low_s : as in `FittedReference`
    undefined : field name -> reason
    """

    sdr_db: float | None
    residual_pct: float | None
    low_band_residual_db: float | None
    gain_movement_db: float | None
    gain_low_s: float | None
    undefined: Mapping[str, str] = field(default_factory=dict)


def fit_reference(
    reference: Samples,
    candidate: Samples,
    *,
    sample_rate_hz: int,
    fit: LinearFit | None = None,
) -> FittedReference:
    """Static fit times octave-band gains smoothed over 200 ms.

    Parameters
    ----------
    reference, candidate : float32, shape (n_channels, n_frames), time-aligned
    sample_rate_hz : 8000 to 384000
    fit : static fit to use, such as the whole song's; found from these signals when None

    Raises
    ------
    SignalError
        Shapes that differ, samples that are not finite, a rate out of range.

    Notes
    -----
    Octaves from 63 Hz (with all below) to 16 kHz (with all above), cosine-shaped over one octave
    either side of their centres and summing to one, applied without phase shift to frames of
    2048 (up to 48 kHz) at a quarter hop. A band's gain in a frame is the least-squares gain over a
    Hann window of 200 ms, never negative: one for all channels, or each channel its own in bands
    where that leaves 0.5 dB less, as after a processor that does not link its sides.

    gain_movement_db: frames count by their band energy to the power 0.3, as loudness does, if
    they are louder than -70 LUFS and the gain explains at least half of the candidate's energy
    there; the worst band and channel among those that hold 1e-4 of the energy. Undefined for
    signals without such frames.
    """
    check_samples(reference, what="reference")
    check_samples(candidate, what="candidate")
    check_pair(reference, candidate)
    check_rate(sample_rate_hz)
    if fit is None:
        fit = fit_linear(reference, candidate, sample_rate_hz=sample_rate_hz)
    return follow_gains(fit, apply_fit(fit, reference), candidate, sample_rate_hz=sample_rate_hz)


def follow_gains(
    fit: LinearFit, tone: Samples, candidate: Samples, *, sample_rate_hz: int
) -> FittedReference:
    """The second half of `fit_reference`, in place: octave-band gains over a static fit's output.

    Parameters
    ----------
    fit : the static fit
    tone : the reference passed through it; its memory becomes the fitted reference's
    candidate, sample_rate_hz : as for `fit_reference`
    """
    n_told = 1 if is_mono(tone) and is_mono(candidate) else len(tone)
    pairs = zip(tone[:n_told], candidate[:n_told], strict=True)
    told = [BandEnergies(x, y, sample_rate_hz) for x, y in pairs]
    energies = told * (len(tone) // n_told)
    active = is_active(np.sum([e.loudness_power for e in energies], axis=0))
    share_gains(energies)
    movement = widest_movement(energies, active)
    for channel, band in zip(tone[:n_told], told, strict=True):
        apply_gains(channel, band.gains, sample_rate_hz)
    tone[n_told:] = tone[:1]
    if movement is None:
        reason = "no active frame is explained"
        return FittedReference(
            tone, fit, None, undefined=dict.fromkeys(("gain_movement_db", "gain_low_s"), reason)
        )
    low_s = max(frame_centre_s(movement.low_frame, sample_rate_hz), 0.0)
    return FittedReference(tone, fit, movement.spread_db, low_s)


def measure_residual(
    fitted: FittedReference, candidate: Samples, *, sample_rate_hz: int
) -> Residual:
    """Residual of a candidate against its fitted reference.

    Parameters
    ----------
    fitted : from `fit_reference`, for this candidate
    candidate : float32, shape (n_channels, n_frames)
    sample_rate_hz : 8000 to 384000

    Raises
    ------
    SignalError
        Shapes that differ, samples that are not finite, a rate out of range.

    Notes
    -----
    Gain that moves faster than the fitted reference follows is residual too. A 2:1 compressor
    (10 ms, 100 ms) that turns down by 2 dB leaves 2.3 to 5.5 % on the groups of both demo songs,
    where its tones read below 0.1 % and no frame of the mix is disturbed.

    A residual below -110 dB re the candidate is the arithmetic's, not the chain's: the figures
    are then undefined, as they are for silence. The low band is undefined where it holds less
    than 1e-6 of the candidate's energy.
    """
    check_samples(candidate, what="candidate")
    check_pair(fitted.samples, candidate)
    check_rate(sample_rate_hz)
    found = _energies(fitted.samples, candidate, sample_rate_hz)
    undefined = dict(fitted.undefined)
    sdr_db = residual_pct = None
    reason = _why_undefined(found.left, found.whole)
    if reason:
        undefined |= {"sdr_db": reason, "residual_pct": reason}
    else:
        residual_pct = 100 * float(np.sqrt(found.left / found.whole))
        if found.kept > 0:
            sdr_db = 10 * float(np.log10(found.kept / found.left))
        else:
            undefined["sdr_db"] = "nothing of the reference is in the candidate"
    low_db = None
    reason = _why_undefined(found.low_left, found.low_whole)
    if found.low_whole <= LOW_BAND_SHARE * found.whole:
        reason = "the candidate holds next to nothing"
    if reason:
        undefined["low_band_residual_db"] = reason + ", 30 to 80 Hz"
    else:
        low_db = 10 * float(np.log10(found.low_left / found.low_whole))
    moved = fitted.gain_movement_db, fitted.gain_low_s
    return Residual(sdr_db, residual_pct, low_db, *moved, undefined)


def _why_undefined(left: float, whole: float) -> str | None:
    if whole == 0:
        return "the candidate is silent"
    if left < 10 ** (FLOOR_DB / 10) * whole:
        return f"identical but for gain and tone: the residual is below {FLOOR_DB:g} dB"
    return None


@dataclass(frozen=True)
class _Energies:
    """Of the fitted reference, the candidate and the residual; the last two at 30 to 80 Hz too."""

    kept: float
    whole: float
    left: float
    low_whole: float
    low_left: float


def _energies(fitted: Samples, candidate: Samples, sample_rate_hz: int) -> _Energies:
    waveforms, low_bins = _low_waveforms(sample_rate_hz)
    total = np.zeros(5)
    for was, now in zip(fitted, candidate, strict=True):
        energies, products = residual_sums(was, now, waveforms)
        half = waveforms.shape[1]
        low_left, low_whole = (_hann_energy(blocks, low_bins, half) for blocks in products)
        total += *energies, low_whole, low_left
    return _Energies(*map(float, total))


@lru_cache(maxsize=8)
def _low_waveforms(sample_rate_hz: int) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Cosines and sines of half a frame at the bins of the low band, and which bins they are.

    One more on either side: a Hann window is made of three neighbours.
    """
    half = 2 * frame_length(sample_rate_hz)
    first, last = (round(f * 2 * half / sample_rate_hz) for f in LOW_BAND_HZ)
    bins = np.arange(first - 1, last + 2)
    phase = np.pi / half * (np.outer(np.arange(half), bins) % (2 * half))
    waves = np.concatenate([np.cos(phase), np.sin(phase)], axis=1)
    return side_by_side(waves.astype(np.float32)), bins


def _hann_energy(blocks: Floats, bins: NDArray[np.int64], half: int) -> float:
    """Energy at all but the outer bins, from Hann frames of two blocks each, one block apart."""
    n = len(bins)
    halves = np.pad(blocks[:, :n] - 1j * blocks[:, n : 2 * n], ((1, 1), (0, 0)))
    frames = halves[:-1] + (-1.0) ** bins * halves[1:]
    windowed = frames[:, 1:-1] / 2 - (frames[:, :-2] + frames[:, 2:]) / 4
    return float(np.sum(np.abs(windowed) ** 2)) / (HANN_POWER * 2 * half)
