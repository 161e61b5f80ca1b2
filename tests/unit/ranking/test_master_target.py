"""A final stage driven to a level, on made-up curves; which stages can be driven."""

import math
from types import SimpleNamespace as Record

import pytest

from chainweigh.chain.files import parse_chain
from chainweigh.ranking.master_target import drive_to, final_drive, reaching_first
from chainweigh.ranking.order import Entry, rank
from chainweigh.ranking.settings import RankSettings, Target


@pytest.mark.parametrize(
    "level_at",
    [
        lambda drive: -14 + 0.5 * drive,
        lambda drive: -14 + 6 * math.sqrt(drive / 18),
        lambda drive: -14 + max(drive - 6, 0.0) * 0.8,
        lambda drive: -14 + 0.5 * drive + 0.05 * math.sin(20 * drive),
    ],
)
def test_the_target_is_reached_and_passed_by_no_more_than_a_twentieth(level_at):
    asked = []
    drive_db = drive_to(lambda drive: asked.append(drive) or level_at(drive), -9.0, 18.0)
    assert -9.0 <= level_at(drive_db) <= -8.9
    assert len(asked) <= 16


def test_a_target_beyond_the_range_is_not_reached_and_one_below_it_needs_no_drive():
    assert drive_to(lambda drive: -14 + 0.1 * drive, -9.0, 18.0) is None
    assert drive_to(lambda drive: -8 + 0.1 * drive, -9.0, 18.0) == 0.0


def chain(*stages):
    table = {"name": "Test", "scope": "master", "stage": list(stages)}
    return tuple(parse_chain(table, where="test"))


def test_the_final_ceiling_is_searched_around_what_is_written():
    (found,) = chain({"effect": "clip", "ceiling": "peak"}, {"effect": "limit", "ceiling": "hits"})
    (drive_range,) = final_drive(found).searches
    assert (drive_range.stage, drive_range.key, str(drive_range)) == (
        1,
        "ceiling",
        "hits + 6 dB to hits - 12 dB",
    )
    (absolute,) = chain({"effect": "limit", "ceiling": "-6 dBFS"})
    assert str(final_drive(absolute).searches[0]) == "0 dBFS to -18 dBFS"


def test_variants_of_one_ceiling_are_one_chain_and_a_compressor_has_none():
    swept = chain({"effect": "limit", "ceiling": {"sweep": ["hits - 1 dB", "hits - 2 dB"]}})
    assert {final_drive(variant).name for variant in swept} == {"Test"}
    (tone,) = chain({"effect": "compress", "threshold": "rms + 6 dB", "ratio": 1.5})
    assert final_drive(tone) is None


def test_a_score_is_no_reason_to_fall_short_of_a_target_another_master_reaches():
    # Loudness at a true peak of 0 dBTP; the ceiling is -1 dBTP, so only "driven" reaches -12 LUFS.
    masters = {"bypass": (0.0, 0.0, -12.0), "driven": (1.0, 2.0, -11.0), "loud": (3.0, 30.0, -9.0)}
    entries = [
        Entry(name, None, gain, gain, gain, added, limited={"thdn_programme_pct": added})
        for name, (gain, added, _) in masters.items()
    ]
    weighed = {
        name: Record(file=Record(integrated_lufs=level, rms_max_300ms_db=None, true_peak_dbtp=0.0))
        for name, (*_, level) in masters.items()
    }
    search = Record(
        groups={"master": Record(weighed=weighed, chains=[Record(name="bypass")])},
        dry={},
        heard_entry=lambda _, name, *__, **___: next(e for e in entries if e.name == name),
    )
    settings = RankSettings(price_lu_per_pct=1.0, target=Target(integrated_lufs=-12.0))
    by_score = rank(entries, settings)
    assert [entry.name for entry, _ in by_score] == ["bypass", "driven", "loud"]
    found = reaching_first(search, by_score, settings)
    assert [(e.name, s.rank) for e, s in found] == [("driven", 1), ("bypass", 2), ("loud", 3)]
    assert "Best score" in found[0][1].why and "Falls short of the target" in found[1][1].why
    beyond = RankSettings(price_lu_per_pct=1.0, target=Target(integrated_lufs=-8.0))
    assert reaching_first(search, by_score, beyond) == by_score
