"""A recipe's drives searched again, around the values it holds."""

from dataclasses import replace

from chainweigh.chain.chain import Chain
from chainweigh.chain.search import search_range
from chainweigh.chain.values import LevelExpression
from chainweigh.errors import ChainFileError
from chainweigh.recipe.recipe import Place

ASIDE_DB = 3.0


def searched_again(place: Place) -> Chain:
    """The place's chain with its found settings, or else its relative levels, searched.

    The chain as it is where it has no such setting.
    """
    chain = place.chain
    wanted = [(found.stage, found.parameter) for found in place.found] or [
        (number, key) for number, stage in enumerate(chain.stages) for key in stage.settings
    ]
    searches = []
    for number, key in wanted:
        value = chain.stages[number].settings[key]
        if not isinstance(value, LevelExpression):
            continue
        gentle, deep = (
            LevelExpression(value.name, round(value.offset_db + aside, 2))
            for aside in (ASIDE_DB, -ASIDE_DB)
        )
        search = search_range(number, key, "dB", gentle, deep)
        try:
            replace(chain, searches=(search,)).driven([0.0]).stages[number].completed()
        except ChainFileError:
            continue
        searches.append(search)
    name = chain.name
    for search in searches:
        written = chain.stages[search.stage].written()[search.key]
        name = name.replace(f", {search.key} {written}", "", 1)
    return replace(chain, name=name, searches=tuple(searches))
