"""Loudness gain measured in the mix: one group's candidate among the other groups."""

from collections.abc import Mapping

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.measure.levels import plr_db
from chainweigh.measure.loudness import loudness_energies
from chainweigh.measure.true_peak import true_peak_dbtp


def measure_plr_db(samples: Samples, sample_rate_hz: int) -> float | None:
    """True peak (precise) less integrated loudness, in dB; None where either is undefined."""
    return plr_db(
        true_peak_dbtp(samples, sample_rate_hz),
        loudness_energies(samples, sample_rate_hz).integrated_lufs(),
    )


def gain_lu(reference_plr_db: float | None, candidate_plr_db: float | None) -> float | None:
    """How much louder the candidate can be than the reference at one true peak, in LU."""
    if reference_plr_db is None or candidate_plr_db is None:
        return None
    return reference_plr_db - candidate_plr_db


class MixAround:
    """The mix around one group: the other groups as they stand, this one's place to be filled.

    Parameters
    ----------
    group : the name of the place to fill
    standing : group name -> samples, shape (2, n_frames), this group's dry reference among them
    """

    def __init__(self, group: str, standing: Mapping[str, Samples], sample_rate_hz: int) -> None:
        self._sample_rate_hz = sample_rate_hz
        self._others = np.zeros_like(standing[group], dtype=np.float64)
        for name, samples in standing.items():
            if name != group:
                self._others += samples
        self._plr_db = self._measure(standing[group])

    def _measure(self, samples: Samples) -> float | None:
        mix = (self._others + samples).astype(np.float32)
        return measure_plr_db(mix, self._sample_rate_hz)

    def gain_lu(self, candidate: Samples, toned: Samples | None = None) -> float | None:
        """Loudness gain of the mix with a matched candidate in place of the group, in LU.

        `toned` is the dry group with the candidate's static tone, where that differs: the gain is
        counted from it.
        """
        before = self._plr_db if toned is None else self._measure(toned)
        return gain_lu(before, self._measure(candidate))
