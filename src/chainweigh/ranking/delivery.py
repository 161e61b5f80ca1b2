"""The master as it is delivered: the chosen one's samples with one last gain."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from chainweigh.audio.array import from_db
from chainweigh.measure.summary import FileMeasures, measure_file
from chainweigh.ranking.weigh import TAKE
from chainweigh.ranking.weighed_group import WeighedGroup
from chainweigh.render.cache import Cache


@dataclass(frozen=True)
class Delivered:
    """A delivered master, measured; `audio` lies in the cache."""

    file: FileMeasures
    audio: Path


def deliver(masters: WeighedGroup, pick: str, gain_db: float, cache: Cache) -> Delivered:
    """A master with its last gain, or fetched from the cache."""
    key = cache.key("delivered", masters.identity(pick), gain_db)
    file = cache.load(key, FileMeasures)
    if file is None:
        rate = masters.reference.sample_rate_hz
        samples = masters.samples_of(pick) * np.float32(from_db(gain_db))
        file = measure_file(samples, rate)
        cache.store(key, file, {TAKE: samples}, rate)
    return Delivered(file, cache.audio_path(key, TAKE))
