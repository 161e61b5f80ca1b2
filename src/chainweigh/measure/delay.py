"""The delay between a reference and a candidate that a chain added and did not report."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_pair, check_rate, check_samples

Floats = NDArray[np.float64]

MAX_DELAY_S = 1.0
RIDGE = 1e-6  # of the reference's mean power: parts of the spectrum it leaves empty do not count
NEAR_FRAMES = 32  # at 48 kHz: what filters without delay can spread their response over
PURE = 0.9  # share of the response that one delayed impulse explains
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
    """Likeness of the response to an ideal delay at lags -reach to reach; its share explained."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(reference.shape[1] + reach + SIDE_FRAMES, real=True)
    power = np.zeros(size // 2 + 1)
    cross = np.zeros(size // 2 + 1, dtype=np.complex128)
    for x, y in zip(reference, candidate, strict=True):
        spectrum = rfft(x.astype(np.float64), size)
        power += np.abs(spectrum) ** 2
        cross += spectrum.conj() * rfft(y.astype(np.float64), size)
    if not power.any() or not cross.any():
        return None
    response = cross / (power + RIDGE * power.mean())
    ideal = power / (power + RIDGE * power.mean())
    match = irfft(response * ideal, size)
    lags = np.arange(-reach - SIDE_FRAMES, reach + SIDE_FRAMES + 1)
    match = match[lags % size]
    scale = 2 * float(np.sqrt(np.sum(np.abs(response) ** 2) * np.sum(ideal**2))) / size
    peak = SIDE_FRAMES + int(np.argmax(np.abs(match[SIDE_FRAMES:-SIDE_FRAMES])))
    height = np.abs(_interpolated(match, peak, np.linspace(-0.5, 0.5, 21))).max()
    return match, float(height / scale) ** 2


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
