"""The levels and gains of a finished run kept for another version of the same song."""

from dataclasses import replace

from chainweigh.chain.chain import Chain
from chainweigh.chain.files import parse_chain
from chainweigh.errors import RecipeError
from chainweigh.ranking.results import Candidate, ResolvedStage, Results
from chainweigh.recipe.labels import relabelled
from chainweigh.recipe.recipe import Place, Recipe
from chainweigh.recipe.write import stage_table


def keep_levels(recipe: Recipe, main: Results) -> Recipe:
    """The recipe with every level as the main mix's run resolved it, and with that run's gains.

    Raises
    ------
    RecipeError
        The run chose another chain somewhere, or has no master.
    """
    won = {
        comparison.name: next(c for c in comparison.candidates if c.name == comparison.winner)
        for comparison in main.comparisons
    }
    groups = tuple(_kept(place, won) for place in recipe.groups)
    if main.chosen.delivery_gain_db is None:
        raise RecipeError(f"{main.source.title}: that run has no master whose gain could be kept")
    return replace(
        recipe,
        groups=groups,
        master=_kept(recipe.master, won),
        delivery_gain_db=main.chosen.delivery_gain_db,
    )


def _kept(place: Place, won: dict[str, Candidate]) -> Place:
    candidate = won.get(place.name)
    if candidate is None or candidate.name != place.chain.name:
        there = "no such group" if candidate is None else f'"{candidate.name}"'
        raise RecipeError(
            f'{place.name}: the recipe holds "{place.chain.name}", the run whose levels are to be '
            f"kept has {there}"
        )
    if not candidate.stages:
        return place
    called_by = [(f.stage, f.parameter, str(f.setting_in(place.chain))) for f in place.found]
    return replace(place, chain=relabelled(_absolute(place.chain, candidate), called_by))


def _absolute(chain: Chain, candidate: Candidate) -> Chain:
    table = {
        "name": chain.name,
        "scope": chain.scope,
        "about": chain.about,
        "stage": [_absolute_stage(stage) for stage in candidate.stages],
    }
    (fixed,) = parse_chain(table, where=f'"{chain.name}" as it was rendered')
    return replace(fixed, gain_db=candidate.match_gain_db)


def _absolute_stage(stage: ResolvedStage) -> dict[str, object]:
    settings = tuple(
        replace(s, written=s.rendered) if s.written is not None else s for s in stage.settings
    )
    return stage_table(replace(stage, settings=settings))
