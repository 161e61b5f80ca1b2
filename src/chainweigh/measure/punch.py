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

from chainweigh.audio.array import Samples, check_layout, check_pair, check_rate, check_samples
from chainweigh.errors import SignalError
from chainweigh.kernels.biquad import filter_sections
from chainweigh.measure.onsets import Onsets

Floats = NDArray[np.float64]

CROSSOVER_HZ = 200.0
ATTACK_S = 0.010
WEIGHT_S = 0.030
LEAD_S = 0.050  # what a filter at the crossover remembers: -200 dB
LOUDEST_SHARE = 0.25
NEGLIGIBLE_DB = -30.0
SIDES = (("above", ATTACK_S), ("below", WEIGHT_S))
BUTTERWORTH_Q = (0.5411961001461969, 1.3065629648763766)  # fourth order: 1 / (2 cos(pi/8, 3pi/8))

NO_ONSETS = "no onsets"
NO_ENERGY = "the hits have next to no energy {} 200 Hz"
CANDIDATE_SILENT = "the candidate is silent at a hit"


@dataclass(frozen=True, eq=False)
class Hits:
    """A reference's hits, for several candidates; from `find_hits`.

    Attributes
    ----------
    onsets, sample_rate_hz : of the reference
    shape : the reference's
    energies : of every hit above and below the crossover
    """

    onsets: Onsets
    sample_rate_hz: int
    shape: tuple[int, ...]
    energies: Mapping[str, Floats]

    @property
    def starts(self) -> NDArray[np.int64]:
        """First frame of each hit."""
        return _starts(self.onsets, self.sample_rate_hz)

    @property
    def n_loudest(self) -> int:
        """Hits in a quarter, rounded up."""
        return math.ceil(LOUDEST_SHARE * self.onsets.times_s.size)

    def loudest(self, side: str) -> NDArray[np.int64]:
        """Which hits have most energy on a side, the loudest first."""
        return np.argsort(-self.energies[side], kind="stable")[: self.n_loudest]


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
    check_pair(reference, candidate)
    check_samples(candidate, what="candidate")
    return compare_hits(find_hits(reference, sample_rate_hz, onsets), candidate)


def find_hits(reference: Samples, sample_rate_hz: int, onsets: Onsets) -> Hits:
    """The reference's part of `measure_punch`; raises as it does."""
    check_samples(reference, what="reference")
    check_rate(sample_rate_hz)
    starts = _starts(onsets, sample_rate_hz)
    if starts.size and not (starts.min() >= 0 and starts.max() < reference.shape[1]):
        raise SignalError("an onset lies outside the samples; were onsets of another file meant?")
    energies = {
        side: _energies_at(reference, sample_rate_hz, starts, side, length_s)
        for side, length_s in SIDES
    }
    return Hits(onsets, sample_rate_hz, reference.shape, energies)


def compare_hits(hits: Hits, candidate: Samples) -> Punch:
    """The candidate's part of `measure_punch`: the loudest hits alone are looked at."""
    check_layout(candidate, what="candidate")
    if candidate.shape != hits.shape:
        raise SignalError(f"candidate has shape {candidate.shape}, the reference {hits.shape}")
    most = max(hits.energies[side][hits.loudest(side)].sum() for side, _ in SIDES)
    values: dict[str, float | None] = {}
    undefined: dict[str, str] = {}
    for (side, length_s), prefix in zip(SIDES, ("punch_", "punch_low_"), strict=True):
        names = [prefix + name for name in ("change_db", "worst_db", "worst_s")]
        loudest = hits.loudest(side)
        before = hits.energies[side][loudest]
        after = _energies_at(candidate, hits.sample_rate_hz, hits.starts[loudest], side, length_s)
        if not np.isfinite(after).all():
            check_samples(candidate, what="candidate")
        reason = _why_undefined(before, after, most * 10.0 ** (NEGLIGIBLE_DB / 10.0))
        if reason:
            undefined |= dict.fromkeys(names, reason.format(side))
            values |= dict.fromkeys(names)
        else:
            change_db = 10.0 * np.log10(after / before)
            lowest = int(np.argmin(change_db))
            at_s = float(hits.onsets.times_s[loudest[lowest]])
            found = (float(change_db.mean()), float(change_db[lowest]), at_s)
            values |= zip(names, found, strict=True)
    return Punch(**values, n_hits=hits.n_loudest, undefined=undefined)


def _starts(onsets: Onsets, sample_rate_hz: int) -> NDArray[np.int64]:
    return np.round(onsets.times_s * sample_rate_hz).astype(np.int64)


def _why_undefined(before: Floats, after: Floats, negligible: float) -> str | None:
    if not before.size:
        return NO_ONSETS
    if before.sum() <= negligible or not before.all():
        return NO_ENERGY
    return None if after.all() else CANDIDATE_SILENT


def _energies_at(
    samples: Samples, sample_rate_hz: int, starts: NDArray[np.int64], side: str, length_s: float
) -> Floats:
    """Energy on one side of the crossover over length_s after each start."""
    sections = _butterworth(side, sample_rate_hz)
    n, n_lead = round(length_s * sample_rate_hz), round(LEAD_S * sample_rate_hz)
    energies = np.empty(len(starts))
    for i, at in enumerate(starts):
        first = max(at - n_lead, 0)
        excerpt = np.ascontiguousarray(samples[:, first : at + n])
        energies[i] = _energy(filter_sections(excerpt, sections)[:, at - first :])
    return energies


def _energy(samples: Samples) -> float:
    return float(np.square(samples, dtype=np.float64).sum())


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
