"""Whose doing a revised mix is, where groups come and go."""

from types import SimpleNamespace as Record

import numpy as np
import pytest

from chainweigh.audio.files import write_wav
from chainweigh.ranking.mix import measure_plr_db
from chainweigh.ranking.revision import compare_revision

RATE = 48_000


def noise(seed, level):
    rng = np.random.default_rng(seed)
    return (level * rng.standard_normal((2, 2 * RATE))).astype(np.float32)


PARTS = {"drums": noise(1, 0.02), "lead": np.clip(noise(2, 0.1), -0.1, 0.1)}
PARTS["drums"][:, ::4800] = 0.9
PARTS["brass"] = noise(3, 0.2)


def run(names):
    """What the comparison of a revision reads of a run's results."""
    level = Record(integrated_lufs=-20.0, plr_db=12.0)
    comparisons = [
        Record(name=n, reference=level, reference_audio=f"{n}.wav", winner="bypass", candidates=())
        for n in names
    ]
    groups = [Record(name=n, files=[Record(digest=n)]) for n in names]
    mix = Record(plr_db=plr(names))
    return Record(comparisons=comparisons, source=Record(groups=groups, mix=mix), settings=None)


def plr(names):
    return measure_plr_db(sum(PARTS[name] for name in names), RATE)


def test_a_new_group_and_one_that_is_gone_say_what_they_moved(tmp_path):
    for name, samples in PARTS.items():
        write_wav(tmp_path / f"{name}.wav", samples, RATE)
    now = ("drums", "lead")
    groups = [Record(name=name, samples=PARTS[name]) for name in now]
    song = Record(groups=groups, sample_rate_hz=RATE)
    earlier = run(("drums", "brass"))
    for comparison in (found := run(now)).comparisons:
        comparison.candidates = (Record(name="bypass"),)
    revision = compare_revision(earlier, tmp_path, song, found)
    moved = {group.group: group.mix_plr_change_db for group in revision.groups}
    assert moved["drums"] == 0.0
    assert moved["lead"] == pytest.approx(plr(now) - plr(["drums"]), abs=0.01)
    assert moved["brass"] == pytest.approx(plr(now) - plr([*now, "brass"]), abs=0.01)
    assert f"lead is new, which moved it by {moved['lead']:+.2f} dB." in revision.said
    assert f"brass is gone, which moved it by {moved['brass']:+.2f} dB." in revision.said
