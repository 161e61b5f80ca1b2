"""recipe.toml: the chains that won, with the numbers they won with; read and checked.

Conventions
-----------
Chains are written as chain files write them, levels relative to the programme. A place without
stages is dry and says chain = "bypass". `found` tells which settings were searched, and how.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from chainweigh.chain.chain import BYPASS_NAME, Chain, bypass
from chainweigh.chain.files import check_keys, parse_chain, read_toml
from chainweigh.chain.plugin_stage import PluginStage
from chainweigh.errors import ChainFileError, RecipeError, SettingsError
from chainweigh.ranking.results import MASTER
from chainweigh.ranking.settings import Budget, RankSettings, Target, check_settings

FORMAT = "1.0"

_TOP = ("recipe", "title", "settings", "won", "provenance", "group", MASTER)
_PLACE = ("name", "chain", "about", "won", "found", "stage")
_FOUND = ("stage", "parameter", "setting", "searched", "said")
_SETTINGS = tuple(f.name for f in fields(RankSettings))


@dataclass(frozen=True)
class Place:
    """The chain for one group or the master, with the numbers it won with there.

    `found` are its searched settings: stage, counted from 0, and parameter.
    """

    name: str
    chain: Chain
    won: Mapping[str, float]
    found: tuple[tuple[int, str], ...] = ()


@dataclass(frozen=True)
class Recipe:
    """A winning set: one place a group, one for the master.

    `delivery_gain_db` is the master's last gain where it is kept from another run.
    """

    title: str
    groups: tuple[Place, ...]
    master: Place
    settings: RankSettings
    won: Mapping[str, float]
    delivery_gain_db: float | None = None


def load_recipe(path: Path) -> Recipe:
    """Read recipe.toml and check every chain in it.

    Raises
    ------
    RecipeError
        Unreadable, not TOML, of another major format, an unknown key, a place whose chain is
        missing or not valid, or a plug-in that is missing or has changed; the text names the place.
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
    for place in (*places, master):
        _check_plugins(place, table.get("provenance", {}), where)
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
    if variants[0].searches:
        raise RecipeError(
            f"{where}: a recipe holds found values; state one, and apply it with --search-again"
        )
    found = tuple(_parse_found(entry, variants[0], where) for entry in table.get("found", []))
    return Place(name, variants[0], won, found)


def _parse_found(table: Mapping[str, Any], chain: Chain, where: str) -> tuple[int, str]:
    check_keys(table, _FOUND, f"{where}: found")
    number, key = table.get("stage"), table.get("parameter")
    if not isinstance(number, int) or not 1 <= number <= len(chain.stages):
        raise RecipeError(
            f"{where}: found: stage = {number!r}; the chain has stages 1 to {len(chain.stages)}"
        )
    if key not in chain.stages[number - 1].settings:
        raise RecipeError(f"{where}: found: stage {number} sets no {key!r}")
    return number - 1, str(key)


def _check_plugins(place: Place, provenance: Mapping[str, Any], where: str) -> None:
    """Refuse a plug-in that is not the one the recipe was made with."""
    made_with = {p.get("plugin"): p.get("digest") for p in provenance.get("plugins", [])}
    for stage in place.chain.stages:
        if not isinstance(stage, PluginStage) or stage.name not in made_with:
            continue
        if made_with[stage.name] != stage.plugin.digest:
            raise RecipeError(
                f"{where}: {place.name}: plug-in {stage.name} has changed since the recipe was "
                f"made (its file's digest was {made_with[stage.name]}, is {stage.plugin.digest}); "
                "rank anew, or take its entry out of [[provenance.plugins]] to use it all the same"
            )


def _parse_settings(table: Mapping[str, Any], where: str) -> RankSettings:
    check_keys(table, _SETTINGS, where)
    parts = {}
    for name, kind in (("budget", Budget), ("target", Target)):
        if name in table:
            check_keys(table[name], [f.name for f in fields(kind)], f"{where}.{name}")
            parts[name] = kind(**_parse_numbers(table[name], f"{where}.{name}"))
    numbers = _parse_numbers({k: v for k, v in table.items() if k not in parts}, where)
    settings = RankSettings(**numbers, **parts)  # type: ignore[arg-type]
    try:
        check_settings(settings)
    except SettingsError as error:
        raise RecipeError(f"{where}: {error}") from error
    return settings


def _parse_numbers(table: Mapping[str, Any], where: str) -> dict[str, float]:
    for key, value in table.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise RecipeError(f"{where}: {key} = {value!r} is not a number")
    return {key: float(value) for key, value in table.items()}
