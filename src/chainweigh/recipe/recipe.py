"""recipe.toml: the chains that won, with the numbers they won with; read, checked, written.

Conventions
-----------
Chains are written as chain files write them, levels relative to the programme. A place without
stages is dry and says chain = "bypass".
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

import tomli_w

from chainweigh.audio.atomic import write_text
from chainweigh.chain.chain import BYPASS_NAME, Chain, bypass
from chainweigh.chain.files import check_keys, parse_chain, read_toml
from chainweigh.errors import ChainFileError, RecipeError
from chainweigh.ranking.results import (
    MASTER,
    Budget,
    Comparison,
    RankSettings,
    ResolvedStage,
    Results,
)

FORMAT = "1.0"

_TOP = ("recipe", "title", "settings", "won", "provenance", "group", MASTER)
_PLACE = ("name", "chain", "about", "won", "stage")
_SETTINGS = ("price_lu_per_pct", "tie_lu", "budget")


@dataclass(frozen=True)
class Place:
    """The chain for one group or the master, with the numbers it won with there."""

    name: str
    chain: Chain
    won: Mapping[str, float]


@dataclass(frozen=True)
class Recipe:
    """A winning set: one place a group, one for the master."""

    title: str
    groups: tuple[Place, ...]
    master: Place
    settings: RankSettings
    won: Mapping[str, float]


def write_recipe(results: Results, path: Path) -> None:
    """Write the winning set of a run as recipe.toml."""
    chosen = results.chosen
    groups = [c for c in results.comparisons if c.name != MASTER]
    master = next(c for c in results.comparisons if c.name == MASTER)
    table = {
        "recipe": FORMAT,
        "title": results.source.title,
        "settings": {
            "price_lu_per_pct": results.settings.price_lu_per_pct,
            "tie_lu": results.settings.tie_lu,
            "budget": asdict(results.settings.budget),
        },
        "won": _numbers(
            mix_headroom_db=chosen.mix_headroom_db,
            thdn_with_master_pct=chosen.thdn_with_master_pct,
            integrated_lufs=chosen.master_file.integrated_lufs if chosen.master_file else None,
        ),
        "provenance": {
            "program": results.program,
            "version": results.version,
            **results.engine,
            "stems": [f"{f.name} {f.digest}" for g in results.source.groups for f in g.files],
        },
        "group": [_place_table(comparison) for comparison in groups],
        MASTER: {key: value for key, value in _place_table(master).items() if key != "name"},
    }
    write_text(path, tomli_w.dumps(table))


def _numbers(**values: float | None) -> dict[str, float]:
    return {key: round(value, 4) for key, value in values.items() if value is not None}


def _place_table(comparison: Comparison) -> dict[str, Any]:
    won = next(c for c in comparison.candidates if c.name == comparison.winner)
    table: dict[str, Any] = {"name": comparison.name, "chain": won.name, "about": won.about}
    table["won"] = _numbers(
        loudness_gain_lu=won.standing.loudness_gain_lu,
        thdn_programme_pct=won.tones.thdn_programme_pct if won.tones else None,
        sdr_db=won.programme.sdr_db if won.programme else None,
        plr_db=comparison.reference.plr_db,
    )
    table["stage"] = [_stage_table(stage) for stage in won.stages]
    return table


def _stage_table(stage: ResolvedStage) -> dict[str, Any]:
    intended = {"intended": True} if stage.intended else {}
    settings = {s.key: s.written for s in stage.settings if s.written is not None}
    if stage.plugin is not None:
        preset = {"preset": stage.plugin.preset} if stage.plugin.preset else {}
        return {"plugin": stage.effect, **intended, **preset, "params": settings}
    return {"effect": stage.effect, **intended, **settings}


def load_recipe(path: Path) -> Recipe:
    """Read recipe.toml and check every chain in it.

    Raises
    ------
    RecipeError
        Unreadable, not TOML, of another major format, an unknown key, a place whose chain is
        missing or not valid; the text names the place.
    """
    try:
        table = read_toml(path)
        check_keys(table, _TOP, str(path))
        return _parse(table, str(path), path.parent)
    except ChainFileError as error:
        raise RecipeError(str(error)) from error


def _parse(table: Mapping[str, Any], where: str, folder: Path) -> Recipe:
    if str(table.get("recipe", "")).split(".")[0] != FORMAT.split(".")[0]:
        raise RecipeError(
            f"{where}: recipe = {table.get('recipe')!r}; this version reads recipes {FORMAT}"
        )
    groups = table.get("group", [])
    if not isinstance(groups, list) or not groups:
        raise RecipeError(f"{where}: no [[group]]; a recipe needs one for each group")
    places = tuple(
        _parse_place(g, "bus", f"{where}: group {i}", folder) for i, g in enumerate(groups, 1)
    )
    names = [place.name for place in places]
    twice = {name for name in names if names.count(name) > 1}
    if twice:
        raise RecipeError(f'{where}: group "{twice.pop()}" stands twice')
    if MASTER not in table:
        raise RecipeError(f"{where}: [master] is missing")
    master = _parse_place({"name": MASTER, **table[MASTER]}, MASTER, f"{where}: master", folder)
    return Recipe(
        title=str(table.get("title", "")),
        groups=places,
        master=master,
        settings=_parse_settings(table.get("settings", {}), f"{where}: settings"),
        won=_parse_numbers(table.get("won", {}), f"{where}: won"),
    )


def _parse_place(table: Mapping[str, Any], scope: str, where: str, folder: Path) -> Place:
    check_keys(table, _PLACE, where)
    name, chain = table.get("name"), table.get("chain")
    if not isinstance(name, str) or not isinstance(chain, str):
        raise RecipeError(f"{where}: name or chain is missing or not text")
    where = f'{where} "{name}"'
    won = _parse_numbers(table.get("won", {}), f"{where}: won")
    stages = table.get("stage", [])
    if chain == BYPASS_NAME:
        if stages:
            raise RecipeError(f'{where}: chain "{BYPASS_NAME}" has no stages')
        return Place(name, bypass(scope), won)
    if not stages:
        raise RecipeError(f'{where}: chain "{chain}" is missing: it has no [[stage]]')
    written = {"name": chain, "scope": scope, "about": table.get("about", ""), "stage": stages}
    variants = list(parse_chain(written, where=where, folder=folder))
    if len(variants) != 1:
        raise RecipeError(f"{where}: a recipe holds found values; a sweep is not allowed here")
    return Place(name, variants[0], won)


def _parse_settings(table: Mapping[str, Any], where: str) -> RankSettings:
    check_keys(table, _SETTINGS, where)
    budget = table.get("budget", {})
    check_keys(budget, [f.name for f in fields(Budget)], f"{where}.budget")
    numbers = _parse_numbers({k: v for k, v in table.items() if k != "budget"}, where)
    return RankSettings(**numbers, budget=Budget(**_parse_numbers(budget, f"{where}.budget")))


def _parse_numbers(table: Mapping[str, Any], where: str) -> dict[str, float]:
    for key, value in table.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise RecipeError(f"{where}: {key} = {value!r} is not a number")
    return {key: float(value) for key, value in table.items()}
