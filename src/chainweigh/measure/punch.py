"""Punch: the energy of the loudest hits, in a candidate against its reference of equal loudness.

Conventions
-----------
Attack is the energy above 200 Hz in the first 10 ms of a hit, weight the energy below 200 Hz in its
first 30 ms, both summed over channels. Each is judged on the quarter of onsets that have most of it
in the reference. Energy, not peak: a shaved peak with its body intact is no loss.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_pair, check_rate, check_samples
from chainweigh.errors import SignalError
from chainweigh.kernels.biquad import filter_sections
from chainweigh.measure.onsets import Onsets

Floats = NDArray[np.float64]

CROSSOVER_HZ = 200.0
ATTACK_S = 0.010
WEIGHT_S = 0.030
LOUDEST_SHARE = 0.25
NEGLIGIBLE_DB = -30.0
BUTTERWORTH_Q = (0.5411961001461969, 1.3065629648763766)  # fourth order: 1 / (2 cos(pi/8, 3pi/8))

NO_ONSETS = "no onsets"
NO_ENERGY = "the hits have next to no energy {} 200 Hz"
CANDIDATE_SILENT = "the candidate is silent at a hit"


@dataclass(frozen=True)
class Punch:
    """Change of the loudest hits' energy, candidate re reference, in dB; a loss is negative.

    Attributes
    ----------
    punch_change_db, punch_worst_db : attack (above 200 Hz, 10 ms), mean of the hits and lowest
    punch_worst_s : onset at which that lowest is
    punch_low_change_db, punch_low_worst_db, punch_low_worst_s : weight (below 200 Hz, 30 ms)
    n_hits : onsets in a quarter
    undefined : reason of each field that is None
    """

    punch_change_db: float | None
    punch_worst_db: float | None
    punch_worst_s: float | None
    punch_low_change_db: float | None
    punch_low_worst_db: float | None
    punch_low_worst_s: float | None
    n_hits: int
    undefined: Mapping[str, str] = field(default_factory=dict)

    @property
    def punch_loss_db(self) -> float | None:
        """Larger of the two mean losses, 0 where nothing is lost; None where neither is defined."""
        changes = [c for c in (self.punch_change_db, self.punch_low_change_db) if c is not None]
        return max(0.0, -min(changes)) if changes else None


def measure_punch(
    reference: Samples, candidate: Samples, sample_rate_hz: int, onsets: Onsets
) -> Punch:
    """Change in dB of the energy with which the loudest hits begin.

    Parameters
    ----------
    reference, candidate : shape (n_channels, n_frames), aligned and matched in loudness
    sample_rate_hz : int
    onsets : of the reference

    Raises
    ------
    SignalError
        Arrays or rate break the convention, shapes differ, an onset lies outside.

    Notes
    -----
    Bands are split by fourth-order Butterworth filters at 200 Hz, their corner 3.01 dB down. Only
    the loudest quarter counts, rounded up. A band is undefined where the reference's hits have
    30 dB less energy in it than in the other: hats have no weight to lose. Definition: this
    project's own.
    """
    check_samples(reference, what="reference")
    check_samples(candidate, what="candidate")
    check_pair(reference, candidate)
    check_rate(sample_rate_hz)
    starts = np.round(onsets.times_s * sample_rate_hz).astype(np.int64)
    if starts.size and not (starts.min() >= 0 and starts.max() < reference.shape[1]):
        raise SignalError("an onset lies outside the samples; were onsets of another file meant?")
    n_hits = math.ceil(LOUDEST_SHARE * starts.size)
    energies = {
        side: tuple(
            _hit_energies(samples, sample_rate_hz, starts, side, length_s)
            for samples in (reference, candidate)
        )
        for side, length_s in (("above", ATTACK_S), ("below", WEIGHT_S))
    }
    most = max((_loudest(before, n_hits).sum() for before, _ in energies.values()), default=0.0)
    values: dict[str, float | None] = {}
    undefined: dict[str, str] = {}
    for side, prefix in (("above", "punch_"), ("below", "punch_low_")):
        before, after = energies[side]
        change = _change(before, after, n_hits, most * 10.0 ** (NEGLIGIBLE_DB / 10.0))
        names = [prefix + name for name in ("change_db", "worst_db", "worst_s")]
        if isinstance(change, str):
            undefined |= dict.fromkeys(names, change.format(side))
            values |= dict.fromkeys(names)
        else:
            mean, worst, hit = change
            values |= zip(names, (mean, worst, float(onsets.times_s[hit])), strict=True)
    return Punch(**values, n_hits=n_hits, undefined=undefined)


def _change(
    before: Floats, after: Floats, n_hits: int, negligible: float
) -> tuple[float, float, int] | str:
    """Mean and lowest change in dB over the loudest hits, and which hit is lowest; or why not."""
    if not n_hits:
        return NO_ONSETS
    loudest = np.argsort(-before, kind="stable")[:n_hits]
    if before[loudest].sum() <= negligible or not before[loudest].all():
        return NO_ENERGY
    if not after[loudest].all():
        return CANDIDATE_SILENT
    change_db = 10.0 * np.log10(after[loudest] / before[loudest])
    lowest = int(np.argmin(change_db))
    return float(change_db.mean()), float(change_db[lowest]), int(loudest[lowest])


def _loudest(energies: Floats, n_hits: int) -> Floats:
    return np.sort(energies)[energies.size - n_hits :]


def _hit_energies(
    samples: Samples, sample_rate_hz: int, starts: NDArray[np.int64], side: str, length_s: float
) -> Floats:
    """Sum of squares on one side of the crossover over length_s after each start."""
    band = filter_sections(samples, _butterworth(side, sample_rate_hz))
    n = round(length_s * sample_rate_hz)
    return np.array([np.square(band[:, at : at + n], dtype=np.float64).sum() for at in starts])


def _butterworth(side: str, sample_rate_hz: int) -> Floats:
    """Fourth-order sections at the crossover, by the bilinear transform; rows b0 b1 b2 a1 a2."""
    tangent = math.tan(math.pi * CROSSOVER_HZ / sample_rate_hz)
    gain, sign = (1.0, -1.0) if side == "above" else (tangent**2, 1.0)
    rows = []
    for q in BUTTERWORTH_Q:
        scale = 1.0 + tangent / q + tangent**2
        b0 = gain / scale
        a1, a2 = 2.0 * (tangent**2 - 1.0) / scale, (1.0 - tangent / q + tangent**2) / scale
        rows.append([b0, sign * 2.0 * b0, b0, a1, a2])
    return np.array(rows)
