"""recipe.toml: the chains that won, with the numbers they won with; read and checked.

Conventions
-----------
Chains are written as chain files write them, levels relative to the programme. A place without
stages is dry and says chain = "bypass". `found` tells which settings were searched, and how.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from math import isfinite
from pathlib import Path
from typing import Any

from chainweigh.chain.chain import BYPASS_NAME, Chain, bypass
from chainweigh.chain.files import check_keys, parse_chain, read_toml, required_text
from chainweigh.chain.plugin_stage import PluginStage
from chainweigh.effects.base import Setting
from chainweigh.errors import ChainFileError, RecipeError, SettingsError
from chainweigh.ranking.results import MASTER
from chainweigh.ranking.settings import Budget, RankSettings, Target, check_settings
from chainweigh.recipe.labels import relabelled
from chainweigh.recipe.winning_numbers import PLACE_NUMBERS, SONG_NUMBERS

FORMAT = "1.0"

_TOP = ("recipe", "title", "settings", "won", "provenance", "group", MASTER)
_PLACE = ("name", "chain", "about", "won", "found", "stage")
_FOUND = ("stage", "parameter", "setting", "searched", "said")
_SETTINGS = tuple(f.name for f in fields(RankSettings))


@dataclass(frozen=True)
class FoundSetting:
    """A setting that was searched: its stage, counted from 0, and its parameter.

    `searched` tells between what, `said` how that ended; empty where nothing is known, or where
    the value was edited since.
    """

    stage: int
    parameter: str
    searched: str = ""
    said: str = ""

    def setting_in(self, chain: Chain) -> Setting:
        """Its value as the chain writes it."""
        return chain.stages[self.stage].written()[self.parameter]


@dataclass(frozen=True)
class Place:
    """The chain for one group or the master, with the numbers it won with there."""

    name: str
    chain: Chain
    won: Mapping[str, float]
    found: tuple[FoundSetting, ...] = ()


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
    title = table.get("title", "")
    if not isinstance(title, str):
        raise RecipeError(f"{where}: title = {title!r} is not text")
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
    check_keys(table[MASTER], _PLACE[1:], f"{where}: master")
    master = _parse_place({"name": MASTER, **table[MASTER]}, MASTER, f"{where}: master", folder)
    made_with = _parse_plugins(table.get("provenance", {}), f"{where}: provenance")
    for place in (*places, master):
        _check_plugins(place, made_with, where)
    return Recipe(
        title=title,
        groups=places,
        master=master,
        settings=_parse_settings(table.get("settings", {}), f"{where}: settings"),
        won=_parse_won(table, SONG_NUMBERS, where),
    )


def _parse_place(table: Mapping[str, Any], scope: str, where: str, folder: Path) -> Place:
    check_keys(table, _PLACE, where)
    name, chain = (required_text(table, key, where) for key in ("name", "chain"))
    where = f'{where} "{name}"'
    won = _parse_won(table, PLACE_NUMBERS, where)
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
    entries = _tables(table.get("found", []), f"{where}: found")
    found = tuple(_parse_found(entry, variants[0], where) for entry in entries)
    called_by = [
        (setting.stage, setting.parameter, str(entry.get("setting")))
        for setting, entry in zip(found, entries, strict=True)
    ]
    return Place(name, relabelled(variants[0], called_by), won, found)


def _tables(value: object, where: str) -> list[dict[str, Any]]:
    if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
        raise RecipeError(f"{where} = {value!r} is not a list of tables")
    return value


def _parse_found(table: Mapping[str, Any], chain: Chain, where: str) -> FoundSetting:
    check_keys(table, _FOUND, f"{where}: found")
    number, key = table.get("stage"), table.get("parameter")
    if type(number) is not int or not 1 <= number <= len(chain.stages):
        raise RecipeError(
            f"{where}: found: stage = {number!r}; the chain has stages 1 to {len(chain.stages)}"
        )
    if not isinstance(key, str) or key not in chain.stages[number - 1].settings:
        raise RecipeError(f"{where}: found: stage {number} sets no {key!r}")
    told = {name: table.get(name, "") for name in ("searched", "said")}
    for name, text in told.items():
        if not isinstance(text, str):
            raise RecipeError(f"{where}: found: {name} = {text!r} is not text")
    found = FoundSetting(number - 1, key, **told)
    edited = found.setting_in(chain) != table.get("setting")
    return replace(found, said="") if edited else found


def _parse_plugins(table: Mapping[str, Any], where: str) -> dict[object, object]:
    """Digest of each plug-in the recipe was made with, by its reference."""
    if not isinstance(table, dict):
        raise RecipeError(f"{where}: {table!r} is not a table")
    plugins = _tables(table.get("plugins", []), f"{where}: plugins")
    return {str(plugin.get("plugin")): plugin.get("digest") for plugin in plugins}


def _check_plugins(place: Place, made_with: Mapping[object, object], where: str) -> None:
    """Refuse a plug-in that is not the one the recipe was made with."""
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


def _parse_won(table: Mapping[str, Any], known: Sequence[str], where: str) -> dict[str, float]:
    won = table.get("won", {})
    check_keys(won, known, f"{where}: won")
    numbers = _parse_numbers(won, f"{where}: won")
    for name, value in numbers.items():
        if not isfinite(value):
            raise RecipeError(f"{where}: won: {name} = {value}; leave out what is not known")
    return numbers


def _parse_numbers(table: Mapping[str, Any], where: str) -> dict[str, float]:
    for key, value in table.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise RecipeError(f"{where}: {key} = {value!r} is not a number")
    return {key: float(value) for key, value in table.items()}
