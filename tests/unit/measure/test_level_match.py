"""Level matching, confirmed by libebur128."""

import numpy as np
import pyebur128
import pytest

from chainweigh.audio.array import from_db
from chainweigh.measure.level_match import level_match_db
from chainweigh.measure.loudness import loudness_energies

RATE = 48_000


def programme(seed, loud_s=4.0, quiet_db=-12.0):
    rng = np.random.default_rng(seed)
    n = int(loud_s * RATE)
    loud = 0.1 * rng.standard_normal((2, n))
    return np.concatenate([loud, loud * from_db(quiet_db)], axis=1).astype(np.float32)


def ebur128_lufs(samples):
    return pyebur128.get_loudness_global(_state(samples))


def _state(samples):
    state = pyebur128.R128State(samples.shape[0], RATE, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples.T).ravel(), samples.shape[1])
    return state


@pytest.mark.parametrize("gain_db", [-30.0, -3.0, 0.0, 7.5])
def test_a_gained_copy_is_brought_back_by_the_gain_undone(gain_db):
    dry = programme(1)
    wet = dry * np.float32(from_db(gain_db))
    found_db = level_match_db(loudness_energies(dry, RATE), loudness_energies(wet, RATE))
    assert found_db == pytest.approx(-gain_db, abs=1e-4)


def test_a_shaped_copy_reads_equally_loud_on_libebur128_within_a_hundredth_lu():
    dry = programme(2)
    wet = np.tanh(4 * dry).astype(np.float32)
    gain_db = level_match_db(loudness_energies(dry, RATE), loudness_energies(wet, RATE))
    matched = wet * np.float32(from_db(gain_db))
    assert ebur128_lufs(matched) == pytest.approx(ebur128_lufs(dry), abs=0.01)


def test_silence_cannot_be_matched():
    silent = loudness_energies(np.zeros((2, RATE), dtype=np.float32), RATE)
    assert level_match_db(loudness_energies(programme(3), RATE), silent) is None
    assert level_match_db(silent, silent) is None
