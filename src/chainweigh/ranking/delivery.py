"""The master as it is delivered: the chosen one's samples with one last gain."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from chainweigh.audio.array import from_db
from chainweigh.measure.summary import FileMeasures, measure_file
from chainweigh.ranking.master_target import reached, target_level
from chainweigh.ranking.settings import RankSettings
from chainweigh.ranking.weigh import TAKE
from chainweigh.ranking.weighed_group import WeighedGroup
from chainweigh.render.cache import Cache


@dataclass(frozen=True)
class Delivered:
    """A delivered master, measured; `audio` lies in the cache."""

    file: FileMeasures
    audio: Path


def last_gain_db(file: FileMeasures, settings: RankSettings) -> float | None:
    """The gain a master is delivered with: to the ceiling, less where that would pass the target.

    None where the master has no true peak.
    """
    if file.true_peak_dbtp is None:
        return None
    to_ceiling = settings.ceiling_dbtp - file.true_peak_dbtp
    target = settings.target
    wanted = target_level(target) if target else None
    if target is None or wanted is None:
        return to_ceiling
    over = (reached(file, target) or 0.0) + settings.ceiling_dbtp - wanted
    return to_ceiling - max(over, 0.0)


def deliver(
    masters: WeighedGroup, pick: str, gain_db: float, n_frames: int, cache: Cache
) -> Delivered:
    """A master with its last gain, n_frames of it, or fetched from the cache."""
    key = cache.key("delivered", masters.identity(pick), gain_db, n_frames)
    file = cache.load(key, FileMeasures)
    if file is None:
        rate = masters.reference.sample_rate_hz
        chosen = masters.samples_of(pick)[:, :n_frames]
        samples = np.multiply(chosen, np.float32(from_db(gain_db)), order="C")
        file = measure_file(samples, rate)
        cache.store(key, file, {TAKE: samples}, rate)
    return Delivered(file, cache.audio_path(key, TAKE))
