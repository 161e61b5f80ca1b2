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
    bypass = Record(name="bypass", searches=())
    comparisons = [
        Record(
            name=n,
            reference=level,
            reference_audio=f"{n}.wav",
            winner="bypass",
            candidates=(bypass,),
        )
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
    revision = compare_revision(run(("drums", "brass")), tmp_path, song, run(now))
    moved = {group.group: group.mix_plr_change_db for group in revision.groups}
    assert moved["drums"] == 0.0
    assert moved["lead"] == pytest.approx(plr(now) - plr(["drums"]), abs=0.01)
    assert moved["brass"] == pytest.approx(plr(now) - plr([*now, "brass"]), abs=0.01)
    assert f"lead is new, which moved it by {moved['lead']:+.2f} dB." in revision.said
    assert f"brass is gone, which moved it by {moved['brass']:+.2f} dB." in revision.said


def test_an_earlier_winner_is_known_again_by_its_file_whatever_was_found(tmp_path):
    def searched(name, found):
        search = Record(parameter="ceiling", found=found)
        return Record(name=f"{name}, ceiling {found}", searches=(search,))

    song = Record(groups=[], sample_rate_hz=RATE)
    earlier, now = run(("drums",)), run(("drums",))
    (before,), (after,) = earlier.comparisons, now.comparisons
    before.candidates = (searched("Clip, soft", "hits - 3 dB"),)
    after.candidates = (
        searched("Clip, hard", "hits - 2 dB"),
        searched("Clip, soft", "hits - 4 dB"),
    )
    before.winner, after.winner = before.candidates[0].name, after.candidates[1].name
    (winner,) = compare_revision(earlier, tmp_path, song, now).winners
    assert winner.still_wins and winner.said.endswith("now as Clip, soft, ceiling hits - 4 dB")
