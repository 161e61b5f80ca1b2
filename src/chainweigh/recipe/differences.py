"""The numbers a recipe won with beside those of another song, and in words where they differ."""

from chainweigh.ranking.results import Candidate, Comparison, Expectation, Results
from chainweigh.recipe.recipe import Place, Recipe
from chainweigh.recipe.winning_numbers import place_numbers, song_numbers, winner_of

DENSER_DB = 2.0  # of PLR: below this a song's groups differ as any two takes do
PEAK_TOLERANCE_DB = 0.05


def _places(recipe: Recipe, results: Results) -> list[tuple[Place, Comparison]]:
    by_name = {comparison.name: comparison for comparison in results.comparisons}
    places = (*recipe.groups, recipe.master)
    return [(place, by_name[place.name]) for place in places if place.name in by_name]


def expectations(recipe: Recipe, results: Results) -> tuple[Expectation, ...]:
    """Every number the recipe won with, and the same number here."""
    here = song_numbers(results)
    rows = [_expect("song", key, recipe.won.get(key), value) for key, value in here.items()]
    for place, comparison in _places(recipe, results):
        for key, value in place_numbers(comparison).items():
            if place.chain.stages or key == "plr_db":
                rows.append(_expect(place.name, key, place.won.get(key), value))
    return tuple(rows)


def _expect(where: str, measure: str, won: float | None, here: float | None) -> Expectation:
    if won is None:
        remark = "the recipe does not hold it"
    elif here is None:
        remark = "not defined here"
    else:
        remark = f"{here - won:+z.2f}"
    return Expectation(where, measure, won, here, remark)


def warnings(recipe: Recipe, results: Results) -> tuple[str, ...]:
    """Where this song differs from the one the recipe was made on, or leaves the budget."""
    limit = recipe.settings.budget.thdn_programme_pct
    lines = []
    for place, comparison in _places(recipe, results):
        won = winner_of(comparison)
        if won.failure is not None:
            lines.append(f"{place.name}: {won.name} failed here: {won.failure}.")
            continue
        lines.extend(_budget_words(place, won))
        lines.extend(_density_words(place, comparison))
    chosen = results.chosen
    peak = chosen.master_file.true_peak_dbtp if chosen.master_file else None
    if peak is not None and peak > chosen.ceiling_dbtp + PEAK_TOLERANCE_DB:
        lines.append(
            f"The master peaks at {peak:.2f} dBTP, above the ceiling of {chosen.ceiling_dbtp:g}: "
            "its gain is kept from the other version."
        )
    if chosen.thdn_with_master_pct is not None and chosen.thdn_with_master_pct > limit:
        lines.append(
            f"The whole set leaves the budget on this song: {chosen.thdn_with_master_pct:.1f} % "
            f"distortion, {limit:g} % allowed."
        )
    return tuple(lines)


def _density_words(place: Place, comparison: Comparison) -> list[str]:
    """How much denser or sparser what reaches a chain is than where the recipe was made."""
    before, here = place.won.get("plr_db"), comparison.reference.plr_db
    if not place.chain.stages or before is None or here is None or abs(here - before) < DENSER_DB:
        return []
    denser = here < before
    kind, work = ("denser", "deeper") if denser else ("sparser", "less")
    return [
        f"{place.name} is {abs(here - before):.1f} dB {kind} here (peak to loudness {here:.1f} dB, "
        f"{before:.1f} dB where the recipe was made): {place.chain.name} works {work} than it was "
        "chosen for."
    ]


def _budget_words(place: Place, won: Candidate) -> list[str]:
    if not won.standing.breaches:
        return []
    return [
        f"{place.name}: {won.name} leaves the budget here: {'; '.join(won.standing.breaches)}. "
        "Ease its levels for this song or rank it anew."
    ]
