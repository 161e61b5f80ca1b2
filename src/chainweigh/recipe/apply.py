"""A recipe on another song: levels resolved anew, everything measured again, in plain words."""

from dataclasses import replace

from chainweigh.chain.chain import Chain, bypass
from chainweigh.errors import RecipeError
from chainweigh.ranking.assembly import Run
from chainweigh.ranking.jobs import Progress, no_progress
from chainweigh.ranking.rank import Plan, rank_song
from chainweigh.ranking.results import MASTER, Candidate, Comparison, Expectation, Results
from chainweigh.recipe.recipe import Place, Recipe
from chainweigh.render.cache import Cache
from chainweigh.song import Song


def apply_recipe(
    recipe: Recipe,
    song: Song,
    *,
    cache: Cache,
    threads: int = 1,
    progress: Progress = no_progress,
) -> Run:
    """Render and measure a recipe's set on a song, beside the numbers it won with.

    Raises
    ------
    RecipeError
        The song's groups are not the recipe's; both lists are named.
    ChainFileError
        A chain cannot work at the song's sample rate.
    """
    plan = plan_of(recipe, song)
    run = rank_song(
        song,
        plan,
        settings=recipe.settings,
        cache=cache,
        threads=threads,
        progress=progress,
        kind="apply",
    )
    expectations = _expectations(recipe, run.results)
    warnings = _warnings(recipe, run.results)
    results = replace(run.results, expectations=expectations, warnings=warnings)
    return replace(run, results=results)


def plan_of(recipe: Recipe, song: Song) -> Plan:
    """The recipe's chains as a plan for a song, each beside the bypass."""
    wanted = [place.name for place in recipe.groups]
    there = [group.name for group in song.groups]
    if set(wanted) != set(there):
        raise RecipeError(
            f"the recipe is for groups {', '.join(sorted(wanted))}; "
            f"{song.folder_name} has {', '.join(sorted(there))}"
        )
    chains = {
        place.name: place.chain.at_tempo(song.tempo_bpm)
        for place in (*recipe.groups, recipe.master)
    }
    for chain in chains.values():
        chain.check_at_rate(song.sample_rate_hz)
    return Plan(
        bus={place.name: _beside_bypass(chains[place.name], "bus") for place in recipe.groups},
        master=_beside_bypass(chains[MASTER], MASTER),
        fixed={place.name: place.chain.name for place in (*recipe.groups, recipe.master)},
    )


def _beside_bypass(chain: Chain, scope: str) -> tuple[Chain, ...]:
    return (bypass(scope), chain) if chain.stages else (bypass(scope),)


def _winner(comparison: Comparison) -> Candidate:
    return next(c for c in comparison.candidates if c.name == comparison.winner)


def _measured(comparison: Comparison) -> dict[str, float | None]:
    won = _winner(comparison)
    return {
        "loudness_gain_lu": won.standing.loudness_gain_lu,
        "thdn_programme_pct": won.tones.thdn_programme_pct if won.tones else None,
        "sdr_db": won.programme.sdr_db if won.programme else None,
        "plr_db": comparison.reference.plr_db,
    }


def _places(recipe: Recipe, results: Results) -> list[tuple[Place, Comparison]]:
    by_name = {comparison.name: comparison for comparison in results.comparisons}
    return [(place, by_name[place.name]) for place in (*recipe.groups, recipe.master)]


def _expectations(recipe: Recipe, results: Results) -> tuple[Expectation, ...]:
    chosen = results.chosen
    here = {
        "mix_headroom_db": chosen.mix_headroom_db,
        "thdn_with_master_pct": chosen.thdn_with_master_pct,
        "integrated_lufs": chosen.master_file.integrated_lufs if chosen.master_file else None,
    }
    rows = [_expect("song", key, recipe.won.get(key), value) for key, value in here.items()]
    for place, comparison in _places(recipe, results):
        for key, value in _measured(comparison).items():
            if place.chain.stages or key == "plr_db":
                rows.append(_expect(place.name, key, place.won.get(key), value))
    return tuple(rows)


def _expect(where: str, measure: str, won: float | None, here: float | None) -> Expectation:
    remark = "" if won is None or here is None else f"{here - won:+.2f}"
    return Expectation(where, measure, won, here, remark)


def _warnings(recipe: Recipe, results: Results) -> tuple[str, ...]:
    limit = recipe.settings.budget.thdn_programme_pct
    lines = []
    for place, comparison in _places(recipe, results):
        won = _winner(comparison)
        if won.failure is not None:
            lines.append(f"{place.name}: {won.name} failed here: {won.failure}.")
            continue
        lines.extend(_budget_words(place, won))
    chosen = results.chosen
    if chosen.thdn_with_master_pct is not None and chosen.thdn_with_master_pct > limit:
        lines.append(
            f"The whole set leaves the budget on this song: {chosen.thdn_with_master_pct:.1f} % "
            f"distortion, {limit:g} % allowed."
        )
    return tuple(lines)


def _budget_words(place: Place, won: Candidate) -> list[str]:
    broken = won.standing.breaches
    if not broken:
        return []
    before = place.won.get("thdn_programme_pct")
    then = "" if before is None else f" It won with {before:.1f} % distortion."
    return [
        f"{place.name}: {won.name} works harder here than it was chosen for: {'; '.join(broken)}."
        f"{then} Ease its levels for this song or rank it anew."
    ]
