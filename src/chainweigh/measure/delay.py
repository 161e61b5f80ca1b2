"""The delay between a reference and a candidate that a chain added and did not report."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_pair, check_rate, check_samples
from chainweigh.measure.correlation import energy

Floats = NDArray[np.float64]

MAX_DELAY_S = 1.0
RIDGE = 1e-6  # of the reference's mean power: parts of the spectrum it leaves empty do not count
NEAR_FRAMES = 32  # at 48 kHz: what filters without delay can spread their response over
PURE = 0.9  # share of the response that one delayed impulse explains
SPLIT = 32  # parts of a song transformed one after another
SIDE_FRAMES = 64  # kept either side of a peak to interpolate from
CLEAR = 2.0  # the peak over everything more than NEAR_FRAMES away from it


@dataclass(frozen=True)
class Delay:
    """Candidate's delay after the reference; frames is 0 unless sharp.

    Attributes
    ----------
    frames : whole samples, negative where the candidate is early
    fraction : rest of the delay in samples, -0.5 to 0.5
    sharp : the chain's response is, or stands on, one clear peak at that delay
    """

    frames: int
    fraction: float
    sharp: bool


def estimate_delay(reference: Samples, candidate: Samples, *, sample_rate_hz: int) -> Delay:
    """Delay of the candidate in frames, up to 1 s either way, from the whole signal.

    Parameters
    ----------
    reference, candidate : float32, shape (n_channels, n_frames), the same for both
    sample_rate_hz : 8000 to 384000

    Raises
    ------
    SignalError
        Shapes that differ, samples that are not finite, a rate out of range.

    Notes
    -----
    The impulse response from reference to candidate is the regularised quotient of their
    spectra, compared at every lag with the response an ideal delay would show. The peak is sharp
    when that delay alone explains nine tenths of the response, or, more than 32 frames from zero,
    when it is twice anything else; nearer, a filter of minimum phase may itself peak late.
    Otherwise, and for silence, the answer is no delay, not sharp. Peaks of either polarity count.
    A loop repeated exactly tells its delay only if the candidate keeps its tail.

    References
    ----------
    C. H. Knapp and G. C. Carter, "The generalized correlation method for estimation of time
    delay", IEEE Trans. ASSP 24(4), 1976.
    """
    check_samples(reference, what="reference")
    check_samples(candidate, what="candidate")
    check_pair(reference, candidate)
    check_rate(sample_rate_hz)
    reach = min(int(MAX_DELAY_S * sample_rate_hz), reference.shape[1] - 1)
    found = _match(reference, candidate, reach)
    if found is None:
        return Delay(0, 0.0, False)
    match, explained = found
    strength = np.abs(match[SIDE_FRAMES:-SIDE_FRAMES])
    peak = int(np.argmax(strength))
    near = round(NEAR_FRAMES * max(1.0, sample_rate_hz / 48_000))
    rest = np.r_[strength[: max(peak - near, 0)], strength[peak + near + 1 :]]
    clear = strength[peak] > CLEAR * (rest.max() if rest.size else 0.0)
    frames = peak - reach
    if explained < PURE and (abs(frames) <= near or not clear):
        return Delay(0, 0.0, False)
    return Delay(frames, _fraction(match, peak + SIDE_FRAMES), True)


def _match(reference: Samples, candidate: Samples, reach: int) -> tuple[Floats, float] | None:
    """Likeness of the response to an ideal delay at lags -reach to reach; its share explained.

    Bins k = r + SPLIT i of the whole signals' transforms come from short transforms of the signals
    folded onto one part in SPLIT, one remainder r after another: long songs need little memory.
    """
    from scipy.fft import ifft, next_fast_len

    n_part = next_fast_len(-(-(reference.shape[1] + reach + SIDE_FRAMES) // SPLIT))
    mean_power = energy(reference)
    if not mean_power or not candidate.any():
        return None
    lags = np.arange(-reach - SIDE_FRAMES, reach + SIDE_FRAMES + 1)
    match, of_response, of_ideal = np.zeros(len(lags)), 0.0, 0.0
    for remainder in range(SPLIT // 2 + 1):
        power, cross = _spectra(reference, candidate, remainder, n_part)
        raised = power + RIDGE * mean_power
        cross /= raised
        power /= raised
        twice = 1 if remainder in (0, SPLIT // 2) else 2  # the other half mirrors these
        of_response += twice * float(np.sum(cross.real**2 + cross.imag**2))
        of_ideal += twice * float(np.sum(power**2))
        cross *= power
        part = ifft(cross, overwrite_x=True)[lags % n_part]
        part *= np.exp(2j * np.pi * remainder * lags / (SPLIT * n_part))
        match += twice / SPLIT * part.real
    scale = float(np.sqrt(of_response * of_ideal)) / (SPLIT * n_part)
    if not scale:
        return None
    peak = SIDE_FRAMES + int(np.argmax(np.abs(match[SIDE_FRAMES:-SIDE_FRAMES])))
    height = np.abs(_interpolated(match, peak, np.linspace(-0.5, 0.5, 21))).max()
    return match, float(height / scale) ** 2


def _spectra(
    reference: Samples, candidate: Samples, remainder: int, n_part: int
) -> tuple[Floats, NDArray[np.complex128]]:
    """Power and cross spectrum at the bins of one remainder, summed over channels."""
    from scipy.fft import fft

    turn = np.exp(-2j * np.pi * remainder * np.arange(n_part) / (SPLIT * n_part))
    turn = turn.astype(np.complex64)
    power, cross = np.zeros(n_part), np.zeros(n_part, dtype=np.complex128)
    for x, y in zip(reference, candidate, strict=True):
        spectrum = fft(_folded(x, remainder, n_part) * turn, overwrite_x=True)
        power += spectrum.real**2 + spectrum.imag**2
        spectrum = spectrum.conj()
        spectrum *= fft(_folded(y, remainder, n_part) * turn, overwrite_x=True)
        cross += spectrum
    return power, cross


def _folded(signal: NDArray[np.float32], remainder: int, n_part: int) -> NDArray[np.complex64]:
    """Sum of a channel's parts, each turned by its place times the remainder."""
    n_whole = len(signal) // n_part
    angles = 2 * np.pi * remainder * np.arange(n_whole + 1) / SPLIT
    turns = np.stack([np.cos(angles), -np.sin(angles)]).astype(np.float32)
    whole = signal[: n_whole * n_part].reshape(n_whole, n_part)
    folded = np.einsum("cp,pn->cn", turns[:, :n_whole], whole)
    rest = signal[n_whole * n_part :]
    folded[:, : len(rest)] += turns[:, n_whole:] * rest
    return np.asarray(folded[0] + np.complex64(1j) * folded[1])


def _fraction(match: Floats, peak: int) -> float:
    """Place of the maximum between samples, by windowed-sinc interpolation."""
    grid = np.linspace(-0.5, 0.5, 1001)
    values = _interpolated(match, peak, grid)
    return float(grid[int(np.argmax(np.abs(values)))])


def _interpolated(values: Floats, peak: int, offsets: Floats) -> Floats:
    around = np.arange(-SIDE_FRAMES, SIDE_FRAMES + 1)
    distance = offsets[:, None] - around[None, :]
    kernel = np.sinc(distance) * np.cos(distance * np.pi / (2 * SIDE_FRAMES + 2))
    return np.asarray((kernel * values[peak + around]).sum(axis=1))
