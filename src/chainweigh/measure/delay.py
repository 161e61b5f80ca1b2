"""The delay between a reference and a candidate that a chain added and did not report."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_pair, check_rate, check_samples

Floats = NDArray[np.float64]

MAX_DELAY_S = 1.0
RIDGE = 1e-6  # of the reference's mean power: parts of the spectrum it leaves empty do not count
NEAR_FRAMES = 32  # at 48 kHz: what filters without delay can spread their response over
CLEAR_NEAR = 0.9  # share of the response one delayed impulse explains
CLEAR_FAR = 2.0  # the peak over everything more than NEAR_FRAMES away from it


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
    spectra, compared at every lag with the response an ideal delay would show. Far from zero the
    peak must be twice anything else; within 32 frames of zero, where a filter of minimum phase
    may itself peak late, one delayed impulse must explain nine tenths of the response. Otherwise,
    and for silence, the answer is no delay, not sharp. Peaks of either polarity count.

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
    strength = np.abs(match)
    peak = int(np.argmax(strength))
    near = round(NEAR_FRAMES * max(1.0, sample_rate_hz / 48_000))
    rest = np.r_[strength[: max(peak - near, 0)], strength[peak + near + 1 :]]
    clear = strength[peak] > CLEAR_FAR * (rest.max() if rest.size else 0.0)
    frames = peak - reach
    if not clear or (abs(frames) <= near and explained < CLEAR_NEAR):
        return Delay(0, 0.0, False)
    return Delay(frames, _fraction(match, peak), True)


def _match(reference: Samples, candidate: Samples, reach: int) -> tuple[Floats, float] | None:
    """Likeness of the response to an ideal delay at lags -reach to reach; its share explained."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(reference.shape[1] + reach, real=True)
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
    match = np.r_[match[size - reach :], match[: reach + 1]] if reach else match[:1]
    scale = 2 * float(np.sqrt(np.sum(np.abs(response) ** 2) * np.sum(ideal**2))) / size
    best = _height(match)
    return match, (best / scale) ** 2


def _fraction(match: Floats, peak: int) -> float:
    """Place of the maximum between samples, from a windowed-sinc interpolation of the peak."""
    grid = np.linspace(-0.5, 0.5, 1001)
    values = _interpolated(match, peak, grid)
    return float(grid[int(np.argmax(np.abs(values)))])


def _height(match: Floats) -> float:
    """Largest value between the samples of a band-limited function."""
    peak = int(np.argmax(np.abs(match)))
    return float(np.abs(_interpolated(match, peak, np.linspace(-0.5, 0.5, 21))).max())


def _interpolated(values: Floats, peak: int, offsets: Floats) -> Floats:
    around = np.arange(max(peak - 64, 0), min(peak + 65, len(values)))
    distance = offsets[:, None] - (around - peak)[None, :]
    kernel = np.sinc(distance) * np.where(np.abs(distance) < 65, np.cos(distance * np.pi / 130), 0)
    return np.asarray((kernel * values[around]).sum(axis=1))
