"""Chain files: what they say, and every way they can be wrong."""

import math

import pytest

from chainweigh.chain.files import (
    load_chain,
    load_chains,
    parse_chain,
    shipped_chains_folder,
    shipped_searches_folder,
)
from chainweigh.chain.values import LevelExpression
from chainweigh.errors import ChainFileError

GOOD = """
name = "Test clip"
scope = "bus"
about = "one line"
[[stage]]
effect = "clip"
ceiling = "peak - 3 dB"
oversample = 16
"""


def write(folder, text, name="chain.toml"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_chain_file_gives_its_name_scope_stages_and_relative_level(tmp_path):
    (chain,) = load_chain(write(tmp_path, GOOD))
    assert (chain.name, chain.scope, chain.about) == ("Test clip", "bus", "one line")
    assert chain.stages[0].settings["ceiling"] == LevelExpression("peak", -3.0)
    assert chain.stages[0].settings["oversample"] == 16


def test_settings_are_written_back_as_the_file_had_them(tmp_path):
    (chain,) = load_chain(write(tmp_path, GOOD))
    assert chain.stages[0].written() == {"ceiling": "peak - 3 dB", "oversample": 16}


@pytest.mark.parametrize(
    ("written", "parsed"),
    [
        ('"-6 dBFS"', -6.0),
        ('"-6.25dBFS"', -6.25),
        ('"rms + 4 dB"', LevelExpression("rms", 4.0)),
        ('"loudness"', LevelExpression("loudness", 0.0)),
        ('"peak-3dB"', LevelExpression("peak", -3.0)),
    ],
)
def test_levels_are_absolute_or_relative_to_the_programme(tmp_path, written, parsed):
    (chain,) = load_chain(write(tmp_path, GOOD.replace('"peak - 3 dB"', written)))
    assert chain.stages[0].settings["ceiling"] == parsed


def test_units_are_brought_to_the_one_the_code_works_in(tmp_path):
    text = GOOD.replace("clip", "limit").replace("oversample = 16", 'release = "0.05 s"')
    (chain,) = load_chain(write(tmp_path, text))
    assert chain.stages[0].settings["release"] == pytest.approx(50.0)


ENDLESS = """
name = "Level hold"
scope = "bus"
about = "one line"
[[stage]]
effect = "compress"
threshold = "rms"
ratio = {}
"""


@pytest.mark.parametrize("written", ["inf", '"inf"'])
def test_a_ratio_without_end_is_written_in_a_way_json_has_too(tmp_path, written):
    (chain,) = load_chain(write(tmp_path, ENDLESS.format(written)))
    assert chain.stages[0].settings["ratio"] == math.inf
    assert chain.stages[0].written()["ratio"] == "inf"
    chain.check_at_rate(44_100)


@pytest.mark.parametrize("written", ["-inf", "nan", '"infinite"'])
def test_no_other_number_without_end_is_a_ratio(tmp_path, written):
    with pytest.raises(ChainFileError, match="ratio"):
        load_chain(write(tmp_path, ENDLESS.format(written)))


def test_a_sweep_of_two_settings_gives_every_pair_a_name_of_its_own(tmp_path):
    text = GOOD.replace('"peak - 3 dB"', '{ sweep = ["peak - 2 dB", "peak - 3 dB"] }')
    text = text.replace("oversample = 16", "oversample = { sweep = [4, 8] }")
    chains = load_chain(write(tmp_path, text))
    assert [c.name for c in chains] == [
        "Test clip, ceiling peak - 2 dB, oversample 4",
        "Test clip, ceiling peak - 2 dB, oversample 8",
        "Test clip, ceiling peak - 3 dB, oversample 4",
        "Test clip, ceiling peak - 3 dB, oversample 8",
    ]
    assert len({str(c.stages) for c in chains}) == 4


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("effect", "efect"), ["stage 1", "effect or plugin is missing"]),
        (('"clip"', '"clop"'), ['unknown effect "clop"', "clip"]),
        (("oversample", "oversampel"), ['unknown key "oversampel"', "oversample"]),
        (("scope", "scoop"), ['unknown key "scoop"', "scope"]),
        (('"bus"', '"buss"'), ['scope "buss"', "bus or master"]),
        (('"peak - 3 dB"', '"-3 dB"'), ['unit "dB" is not known here', "dBFS"]),
        (('"peak - 3 dB"', '"-3"'), ["it has no unit", "dBFS"]),
        (('"peak - 3 dB"', '"peek - 3 dB"'), ['unknown level "peek"', "peak"]),
        (('"peak - 3 dB"', '"peak - 3"'), ["the offset needs the unit dB"]),
        (('"peak - 3 dB"', "-3.0"), ["ceiling: -3.0 is not text with a unit"]),
        (('"peak - 3 dB"', '"+400 dBFS"'), ["ceiling", "400"]),
        (('"peak - 3 dB"', "{ search = [1, 2] }"), ["1 is not text with a unit"]),
        (('"peak - 3 dB"', "{ sweep = [] }"), ["{ sweep = [a, b, c] }"]),
        (('"peak - 3 dB"', '{ sweep = ["peak", "peak"] }'), ["stands twice"]),
        (("oversample = 16", "oversample = 3"), ["oversample", "3"]),
        (("oversample = 16", 'oversample = "16x"'), ["a whole number without a unit"]),
        (('ceiling = "peak - 3 dB"', ""), ["ceiling"]),
        (("[[stage]]", "[stage]"), ["no [[stage]]"]),
        (('"Test clip"', '"Bypass"'), ["reserved"]),
        (('"Test clip"', '"Test clip'), ["TOML syntax error", "line 2"]),
        (('about = "one line"', "about = 3"), ["about"]),
    ],
)
def test_what_is_wrong_in_a_chain_file_is_named_with_the_file(tmp_path, change, said):
    assert change[0] in GOOD
    path = write(tmp_path, GOOD.replace(*change))
    with pytest.raises(ChainFileError) as caught:
        load_chain(path)
    assert str(path) in str(caught.value)
    for fact in said:
        assert fact in str(caught.value)


def test_a_folder_without_chains_or_a_missing_one_is_refused(tmp_path):
    with pytest.raises(ChainFileError, match="no chain files"):
        load_chains(tmp_path)
    with pytest.raises(ChainFileError, match="not a folder"):
        load_chains(tmp_path / "none")


def test_two_names_that_would_share_a_file_name_are_refused(tmp_path):
    write(tmp_path, GOOD, "a.toml")
    write(tmp_path, GOOD.replace("Test clip", "test-clip"), "b.toml")
    with pytest.raises(ChainFileError, match="reads like"):
        load_chains(tmp_path)


def test_at_least_twelve_chains_ship_for_both_scopes_each_saying_when_to_use_it():
    chains = load_chains(shipped_chains_folder())
    assert len(chains) >= 12
    assert {c.scope for c in chains} == {"bus", "master"}
    assert all(len(c.about) > 20 for c in chains)


def test_shipped_searches_begin_gentle_and_read_as_they_are_written():
    chains = load_chains(shipped_searches_folder())
    assert len(chains) >= 2
    for chain in chains:
        (search,) = chain.searches
        gentle, deep = (chain.driven([drive]) for drive in (0.0, search.reach_db))
        levels = [c.stages[search.stage].settings[search.key].offset_db for c in (gentle, deep)]
        assert levels[0] > levels[1]
        (again,) = parse_chain(
            {"name": chain.name, "scope": chain.scope, "stage": chain.stage_tables()}, where="again"
        )
        assert again.searches == chain.searches and again.stages == chain.stages


@pytest.mark.parametrize(
    ("ends", "said"),
    [
        (["peak - 1 dB"], "a search has two ends"),
        (["peak", "hits - 3 dB"], "relative to the same level"),
        (["peak", "-3 dBFS"], "relative to the same level"),
        (["peak", "peak - 0.05 dB"], "has 0.05 dB to go"),
        (["peak", "-200 dBFS"], "200"),
    ],
)
def test_a_search_that_goes_nowhere_is_refused_with_the_reason(ends, said):
    stage = {"effect": "clip", "ceiling": {"search": ends}}
    with pytest.raises(ChainFileError, match=said):
        list(parse_chain({"name": "x", "scope": "bus", "stage": [stage]}, where="test"))


def test_a_setting_that_is_not_in_db_is_not_searched():
    stage = {"effect": "limit", "ceiling": "peak", "release": {"search": ["20 ms", "80 ms"]}}
    with pytest.raises(ChainFileError, match=r"release: only a setting in dB can be searched"):
        list(parse_chain({"name": "x", "scope": "bus", "stage": [stage]}, where="test"))


def test_every_shipped_chain_can_work_at_usual_rates():
    for chain in load_chains(shipped_chains_folder()):
        for rate_hz in (44_100, 48_000, 96_000, 192_000):
            chain.check_at_rate(rate_hz)
