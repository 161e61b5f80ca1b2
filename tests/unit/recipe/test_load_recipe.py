"""A recipe edited by hand: every slip is refused in one line that names its place."""

import copy

import pytest
import tomli_w

from chainweigh.errors import RecipeError
from chainweigh.recipe.apply import map_groups
from chainweigh.recipe.recipe import load_recipe
from chainweigh.recipe.search_again import searched_again

STAGE = {"effect": "clip", "ceiling": "hits - 3.13 dB"}
FOUND = {"stage": 1, "parameter": "ceiling", "setting": "hits - 3.13 dB"}
RECIPE = {
    "recipe": "1.0",
    "settings": {"budget": {"punch_loss_db": 1.0}, "target": {"integrated_lufs": -9.0}},
    "won": {"mix_headroom_db": 2.9},
    "provenance": {"plugins": []},
    "group": [
        {
            "name": "drums",
            "chain": "Clip, ceiling hits - 3.13 dB",
            "won": {"plr_db": 17.6, "disturbed_pct": 0.3},
            "found": [FOUND],
            "stage": [STAGE],
        }
    ],
    "master": {"chain": "bypass"},
}
PLACES = {
    "settings": ("settings",),
    "settings.budget": ("settings", "budget"),
    "settings.target": ("settings", "target"),
    "won": ("won",),
    "provenance": ("provenance",),
    "provenance: plugins": ("provenance", "plugins"),
    "group 1": ("group", 0),
    'group 1 "drums": won': ("group", 0, "won"),
    'group 1 "drums": found': ("group", 0, "found"),
    'group 1 "drums": found: stage': ("group", 0, "found", 0, "stage"),
    'group 1 "drums": found: stage 1 sets no': ("group", 0, "found", 0, "parameter"),
    'group 1 "drums": stage 1': ("group", 0, "stage", 0),
    "master": ("master",),
}


@pytest.fixture
def load(tmp_path):
    """Loads the recipe with the value at a path replaced."""

    def loaded(path=(), value=None):
        table = copy.deepcopy(RECIPE)
        inner = table
        for key in path[:-1]:
            inner = inner[key]
        if path:
            inner[path[-1]] = value
        file = tmp_path / "edited.toml"
        file.write_text(tomli_w.dumps(table), encoding="utf-8")
        return load_recipe(file)

    return loaded


@pytest.mark.parametrize("value", [True, "x", [1]], ids=repr)
@pytest.mark.parametrize("where", PLACES)
def test_a_value_of_another_kind_is_refused_by_place(load, where, value):
    with pytest.raises(RecipeError) as refused:
        load(PLACES[where], value)
    assert f"edited.toml: {where}" in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_number_it_never_won_with_is_refused_with_the_closest(load):
    with pytest.raises(RecipeError, match='won: unknown key "prl_db"; did you mean plr_db'):
        load(("group", 0, "won", "prl_db"), 3.0)
    with pytest.raises(RecipeError, match="plr_db = nan; leave out"):
        load(("group", 0, "won", "plr_db"), float("nan"))


def test_a_found_value_edited_by_hand_is_what_the_chain_is_called(load):
    assert load().groups[0].chain.name == "Clip, ceiling hits - 3.13 dB"
    edited = load(("group", 0, "stage", 0, "ceiling"), "hits - 2 dB")
    assert edited.groups[0].chain.name == "Clip, ceiling hits - 2 dB"
    unsaid = {"found": [{"stage": 1, "parameter": "ceiling"}]}
    unsaid |= {"stage": [{"effect": "clip", "ceiling": "hits - 2 dB"}]}
    edited = load(("group", 0), {**RECIPE["group"][0], **unsaid})
    assert edited.groups[0].chain.name == "Clip, ceiling hits - 2 dB"


SWEPT = {
    "name": "drums",
    "chain": "Two clips, knee 3 dB, ceiling peak - 2 dB, ceiling hits - 3.13 dB",
    "found": [FOUND],
    "stage": [STAGE, {"effect": "clip", "ceiling": "peak - 2 dB", "knee": "3 dB"}],
}


@pytest.mark.parametrize(
    ("number", "key", "value", "called"),
    [
        (0, "ceiling", "hits - 2 dB", "knee 3 dB, ceiling peak - 2 dB, ceiling hits - 2 dB"),
        (1, "ceiling", "peak - 4 dB", "knee 3 dB, ceiling peak - 4 dB, ceiling hits - 3.13 dB"),
        (1, "knee", "1 dB", "knee 1 dB, ceiling peak - 2 dB, ceiling hits - 3.13 dB"),
        (1, "oversample", 8, "knee 3 dB, ceiling peak - 2 dB, ceiling hits - 3.13 dB"),
    ],
)
def test_a_chain_of_a_sweep_is_called_by_the_values_it_has_after_an_edit(
    load, number, key, value, called
):
    stages = copy.deepcopy(SWEPT["stage"])
    stages[number][key] = value
    place = load(("group",), [{**SWEPT, "stage": stages}]).groups[0]
    assert place.chain.name == f"Two clips, {called}"


def test_words_of_a_chain_s_own_name_are_no_label_and_one_that_may_be_of_either_goes(load):
    stages = [{**STAGE, "oversample": 4}, {**STAGE, "oversample": 8}]
    swept = {"name": "drums", "chain": "Firm, ceiling low, oversample 16", "stage": stages}
    assert load(("group",), [swept]).groups[0].chain.name == "Firm, ceiling low"


def test_one_group_cannot_take_two_recipes(load):
    recipe = load(("group",), [RECIPE["group"][0], {"name": "bass", "chain": "bypass"}])
    with pytest.raises(RecipeError, match="bass cannot take the recipes of drums and bass at once"):
        map_groups(recipe, {"bass": "drums"})
    swapped = map_groups(recipe, {"bass": "drums", "drums": "bass"})
    assert [place.name for place in swapped.groups] == ["bass", "drums"]


def test_a_chain_searched_again_keeps_its_own_name_without_what_was_found(load):
    place = load(("group", 0, "chain"), "Clip, hard, ceiling hits - 3.13 dB").groups[0]
    again = searched_again(place)
    assert again.name == "Clip, hard"
    assert [str(search) for search in again.searches] == ["hits - 0.13 dB to hits - 6.13 dB"]


@pytest.mark.parametrize(
    ("stage", "searched", "again"),
    [
        ({"effect": "clip", "ceiling": "-6 dBFS"}, "-3 to -9 dBFS", "-3 dBFS to -9 dBFS"),
        ({"effect": "gain", "gain": "5 dB"}, "+0 to +12 dB", "2 dB to 8 dB"),
        ({"effect": "clip", "ceiling": "38.6 dBFS"}, "", "39.85 dBFS to 35.6 dBFS"),
    ],
)
def test_a_found_value_of_any_kind_is_searched_again_its_own_way_inside_its_range(
    load, stage, searched, again
):
    key = list(stage)[1]
    found = {"stage": 1, "parameter": key, "setting": stage[key], "searched": searched}
    group = {"name": "drums", "chain": "Found", "found": [found], "stage": [stage]}
    (search,) = searched_again(load(("group",), [group]).groups[0]).searches
    assert str(search) == again
