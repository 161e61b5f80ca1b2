"""A recipe's drives searched again, around the values it holds."""

import re
from dataclasses import replace

from chainweigh.chain.chain import AnyStage, Chain
from chainweigh.chain.plugin_stage import PluginStage, parse_plugin_value
from chainweigh.chain.search import SearchRange, moved, search_range
from chainweigh.chain.values import LevelExpression, Value
from chainweigh.errors import ChainFileError
from chainweigh.recipe.recipe import FoundSetting, Place

ASIDE_DB = 3.0
N_STEPS = 12  # in which an end that the stage cannot hold comes nearer


def searched_again(place: Place) -> Chain:
    """The place's chain with its found settings, or else its relative levels, searched.

    The chain as it is where it has no such setting.
    """
    chain = place.chain
    wanted = place.found or tuple(
        FoundSetting(number, key)
        for number, stage in enumerate(chain.stages)
        for key, value in stage.settings.items()
        if isinstance(value, LevelExpression)
    )
    ranges = (_range_around(chain.stages[found.stage], found) for found in wanted)
    searches = tuple(search for search in ranges if search is not None)
    name = chain.name
    for search in searches:
        written = chain.stages[search.stage].written()[search.key]
        name = name.replace(f", {search.key} {written}", "", 1)
    return replace(chain, name=name, searches=searches)


def _range_around(stage: AnyStage, found: FoundSetting) -> SearchRange | None:
    """The range around a value, deeper the way it was searched before; None of no level or gain."""
    key, deeper_db = found.parameter, ASIDE_DB if _rises(found) else -ASIDE_DB
    try:
        ends = _furthest(stage, key, -deeper_db), _furthest(stage, key, deeper_db)
        return search_range(found.stage, key, stage.unit(key), *ends)
    except ChainFileError:
        return None


def _rises(found: FoundSetting) -> bool:
    """Whether its deep end was the higher one; levels mostly go down, which stands where unsaid."""
    ends = [float(number) for number in re.findall(r"[+-]?\d+\.?\d*", found.searched)]
    return len(ends) == 2 and ends[0] < ends[1]


def _furthest(stage: AnyStage, key: str, by_db: float) -> Value:
    """The value moved so far, or as far that way as the stage can hold it."""
    for n in range(N_STEPS, 0, -1):
        value = moved(stage.settings[key], by_db * n / N_STEPS)
        if _holds(replace(stage, settings={**stage.settings, key: value}), key):
            return value
    return stage.settings[key]


def _holds(stage: AnyStage, key: str) -> bool:
    try:
        stage.completed()
        if isinstance(stage, PluginStage):
            parse_plugin_value(stage.plugin, key, stage.written()[key])
    except ChainFileError:
        return False
    return True
