"""A recipe on another song: levels resolved anew, everything measured again, in plain words."""

from collections.abc import Mapping
from dataclasses import replace

from chainweigh.chain.chain import Chain, bypass
from chainweigh.errors import RecipeError
from chainweigh.ranking.assembly import Run
from chainweigh.ranking.jobs import Progress, no_progress
from chainweigh.ranking.rank import Plan, rank_song
from chainweigh.ranking.results import MASTER
from chainweigh.recipe.differences import expectations, warnings
from chainweigh.recipe.recipe import Place, Recipe
from chainweigh.recipe.search_again import searched_again
from chainweigh.render.cache import Cache
from chainweigh.song import Song


def apply_recipe(
    recipe: Recipe,
    song: Song,
    *,
    cache: Cache,
    search_again: bool = False,
    threads: int = 1,
    progress: Progress = no_progress,
) -> Run:
    """Render and measure a recipe's set on a song, beside the numbers it won with.

    Parameters
    ----------
    search_again : whether drives are searched around the recipe's values, see `plan_of`

    Raises
    ------
    RecipeError
        The song's groups are not the recipe's; both lists are named.
    ChainFileError
        A chain cannot work at the song's sample rate.
    """
    run = rank_song(
        song,
        plan_of(recipe, song, search_again=search_again),
        settings=recipe.settings,
        cache=cache,
        threads=threads,
        progress=progress,
        kind="apply",
    )
    results = replace(
        run.results,
        expectations=expectations(recipe, run.results),
        warnings=warnings(recipe, run.results),
    )
    return replace(run, results=results)


def plan_of(recipe: Recipe, song: Song, *, search_again: bool = False) -> Plan:
    """The recipe's chains as a plan for a song, each beside the bypass.

    Searched again are the settings the recipe says were found, or where it says none its levels
    relative to the programme, 3 dB to either side; the set is then picked anew.
    """
    places = [place for place in recipe.groups if _wanted(place, recipe, song)]
    wanted = [place.name for place in places]
    there = [group.name for group in song.groups]
    if set(wanted) != set(there):
        raise RecipeError(
            f"the recipe is for groups {', '.join(sorted(p.name for p in recipe.groups))}; "
            f"{song.folder_name} has {', '.join(sorted(there))}; "
            "say which is which with --map SONG-GROUP=RECIPE-GROUP"
        )
    driven = [recipe.master] if recipe.settings.target else []  # searched by the target already
    chains = {}
    for place in (*places, recipe.master):
        chain = searched_again(place) if search_again and place not in driven else place.chain
        chains[place.name] = chain.at_tempo(song.tempo_bpm)
        chains[place.name].check_at_rate(song.sample_rate_hz)
    fixed = {place.name: place.chain.name for place in (*places, recipe.master)}
    return Plan(
        bus={name: _beside_bypass(chains[name], "bus") for name in wanted},
        master=_beside_bypass(chains[MASTER], MASTER),
        fixed=None if search_again else fixed,
        delivery_gain_db=recipe.delivery_gain_db,
    )


def _wanted(place: Place, recipe: Recipe, song: Song) -> bool:
    """Whether a place takes part: all, unless levels are kept for a version with fewer groups."""
    there = {group.name for group in song.groups}
    return recipe.delivery_gain_db is None or place.name in there


def map_groups(recipe: Recipe, pairs: Mapping[str, str]) -> Recipe:
    """The recipe with groups named as a song names them.

    Parameters
    ----------
    pairs : song's group -> recipe's group; the other way round is understood where only that fits

    Raises
    ------
    RecipeError
        A pair that names no group of the recipe, or two recipes for one group.
    """
    known = [place.name for place in recipe.groups]
    names = {}
    for one, other in pairs.items():
        if other not in known and one not in known:
            raise RecipeError(
                f"--map {one}={other}: the recipe has groups {', '.join(sorted(known))}"
            )
        recipe_group, song_group = (other, one) if other in known else (one, other)
        names[recipe_group] = song_group
    groups = tuple(replace(p, name=names.get(p.name, p.name)) for p in recipe.groups)
    for group in groups:
        meant = [old for old, new in zip(known, groups, strict=True) if new.name == group.name]
        if len(meant) > 1:
            raise RecipeError(
                f"--map: {group.name} cannot take the recipes of {' and '.join(meant)} at once; "
                "map each to a group of its own"
            )
    return replace(recipe, groups=groups)


def _beside_bypass(chain: Chain, scope: str) -> tuple[Chain, ...]:
    return (bypass(scope), chain) if chain.stages else (bypass(scope),)
