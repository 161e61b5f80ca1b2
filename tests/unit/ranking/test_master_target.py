"""A final stage driven to a level, on made-up curves; which stages can be driven."""

import math

import pytest

from chainweigh.chain.files import parse_chain
from chainweigh.ranking.master_target import drive_to, final_drive


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
