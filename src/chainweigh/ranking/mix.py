"""Loudness gain measured in the mix: one group's candidate among the other groups."""

from collections.abc import Mapping
from dataclasses import dataclass

from chainweigh.audio.array import Samples
from chainweigh.measure.levels import plr_db
from chainweigh.measure.loudness import LoudnessEnergies, loudness_energies
from chainweigh.measure.true_peak import true_peak_dbtp
from chainweigh.song import sum_of


def measure_plr_db(
    samples: Samples, sample_rate_hz: int, energies: LoudnessEnergies | None = None
) -> float | None:
    """True peak (precise) less integrated loudness, in dB; None where either is undefined.

    `energies` are of these samples, where they are at hand.
    """
    energies = energies or loudness_energies(samples, sample_rate_hz)
    return plr_db(true_peak_dbtp(samples, sample_rate_hz), energies.integrated_lufs())


def gain_lu(reference_plr_db: float | None, candidate_plr_db: float | None) -> float | None:
    """How much louder the candidate can be than the reference at one true peak, in LU."""
    if reference_plr_db is None or candidate_plr_db is None:
        return None
    return reference_plr_db - candidate_plr_db


@dataclass(frozen=True)
class MixGain:
    """Loudness gain of a mix, and apart from it what a static EQ of the same tone gives, in LU.

    Together they are the fall of the mix's PLR.
    """

    loudness_lu: float | None = None
    tone_lu: float | None = None


@dataclass(frozen=True)
class PlainGain:
    """Fall of a mix's PLR by a chain that was rendered only, and how far that changed its group.

    `change_db` is the level of what was added or taken, relative to the group's; None where there
    is no such level, or where it is so low that the group is as it was.
    """

    loudness_lu: float | None = None
    change_db: float | None = None


class MixAround:
    """The mix around one group: the other groups as they stand, this one's place to be filled.

    Parameters
    ----------
    group : the name of the place to fill
    standing : group name -> samples, shape (2, n_frames), this group's dry reference among them
    """

    def __init__(self, group: str, standing: Mapping[str, Samples], sample_rate_hz: int) -> None:
        self._sample_rate_hz = sample_rate_hz
        self._others = [samples for name, samples in standing.items() if name != group]
        self._plr_db = self._measure(standing[group])

    def _measure(self, samples: Samples) -> float | None:
        return measure_plr_db(sum_of([*self._others, samples]), self._sample_rate_hz)

    def gains_lu(self, candidate: Samples, toned: Samples | None) -> MixGain:
        """What a matched candidate in place of the group gives the mix, in LU.

        `toned` is the dry group with the candidate's static tone, None where it keeps its tone:
        the loudness gain is counted from it, and what it changes by itself is the tone gain.
        """
        after = self._measure(candidate)
        if toned is None:
            return MixGain(gain_lu(self._plr_db, after), 0.0)
        between = self._measure(toned)
        return MixGain(gain_lu(between, after), gain_lu(self._plr_db, between))
