"""recipe.toml written from a run: the winning set, readable and editable by hand."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import tomli_w

from chainweigh.audio.atomic import write_text
from chainweigh.chain.chain import AnyStage
from chainweigh.chain.plugin_stage import PluginStage
from chainweigh.ranking.results import (
    MASTER,
    Comparison,
    ResolvedStage,
    Results,
    Search,
)
from chainweigh.ranking.settings import RankSettings
from chainweigh.recipe.recipe import FORMAT, FoundSetting, Place, Recipe
from chainweigh.recipe.winning_numbers import Numbers, place_numbers, song_numbers, winner_of


def write_recipe(results: Results, path: Path, applied: Recipe | None = None) -> None:
    """Write the winning set of a run as recipe.toml.

    Parameters
    ----------
    applied : the recipe the run put on its song, groups named as the song names them; what it says
        of settings found before goes on, and a chain of it that failed here is handed on as it was
    """
    places = {p.name: p for p in (*applied.groups, applied.master)} if applied else {}
    tables = {c.name: _place_table(c, places.get(c.name)) for c in results.comparisons}
    plugins = [p for c in results.comparisons for p in _plugin_tables(c, places.get(c.name))]
    master = tables.pop(MASTER)
    del master["name"]
    table = {
        "recipe": FORMAT,
        "title": results.source.title,
        "settings": _settings_table(results.settings),
        "won": _known(song_numbers(results)),
        "provenance": {
            "program": results.program,
            "version": results.version,
            **results.engine,
            "stems": [f"{f.name} {f.digest}" for g in results.source.groups for f in g.files],
            "plugins": plugins,
        },
        "group": list(tables.values()),
        MASTER: master,
    }
    write_text(path, tomli_w.dumps(table))


def _settings_table(settings: RankSettings) -> dict[str, Any]:
    table = asdict(settings)
    target = table.pop("target")
    if target is not None:
        table["target"] = {key: value for key, value in target.items() if value is not None}
    return table


def _known(numbers: Numbers) -> dict[str, float]:
    return {name: round(value, 4) for name, value in numbers.items() if value is not None}


def _place_table(comparison: Comparison, applied: Place | None) -> dict[str, Any]:
    won = winner_of(comparison)
    table: dict[str, Any] = {"name": comparison.name, "chain": won.name, "about": won.about}
    table["won"] = _known(place_numbers(comparison))
    if won.failure is not None and applied is not None:
        stages = [_unrendered_table(stage) for stage in applied.chain.stages]
    else:
        stages = [stage_table(stage) for stage in won.stages]
    found = [_found_table(search) for search in won.searches]
    if applied is not None and stages:
        known = {(entry["stage"], entry["parameter"]) for entry in found}
        kept = [_kept_table(setting, applied) for setting in applied.found]
        found += [entry for entry in kept if (entry["stage"], entry["parameter"]) not in known]
    if found:
        table["found"] = found
    table["stage"] = stages
    return table


def _found_table(search: Search) -> dict[str, Any]:
    level = f"{search.level} " if search.level else ""
    return {
        "stage": search.stage,
        "parameter": search.parameter,
        "setting": search.found,
        "searched": f"{level}{search.from_db:+g} to {search.to_db:+g} {search.unit}",
        "said": search.said,
    }


def _kept_table(found: FoundSetting, place: Place) -> dict[str, Any]:
    """What was found on an earlier song, as far as it is known."""
    told = {name: text for name in ("searched", "said") if (text := getattr(found, name))}
    setting = found.setting_in(place.chain)
    return {"stage": found.stage + 1, "parameter": found.parameter, "setting": setting, **told}


def _plugin_tables(comparison: Comparison, applied: Place | None) -> list[dict[str, Any]]:
    won = winner_of(comparison)
    if won.failure is not None and applied is not None:
        stages = [stage for stage in applied.chain.stages if isinstance(stage, PluginStage)]
        return [_unrendered_plugin_table(stage) for stage in stages]
    return [_plugin_table(stage) for stage in won.stages if stage.plugin is not None]


def _plugin_table(stage: ResolvedStage) -> dict[str, Any]:
    """Which plug-in it was, and every parameter the chain set as the plug-in held it."""
    plugin = stage.plugin
    assert plugin is not None
    return {
        "plugin": stage.effect,
        "name": plugin.name,
        "vendor": plugin.vendor,
        "version": plugin.version,
        "digest": plugin.digest,
        "state": {s.key: s.actual for s in stage.settings if s.actual is not None},
    }


def _unrendered_plugin_table(stage: PluginStage) -> dict[str, Any]:
    record = stage.plugin.record
    told = {"name": record.name, "vendor": record.vendor, "version": record.version}
    return {"plugin": stage.name, **told, "digest": stage.plugin.digest}


def _unrendered_table(stage: AnyStage) -> dict[str, Any]:
    """A stage of a chain that failed, as a chain file writes it."""
    table: dict[str, Any] = stage.table()
    if not table["intended"]:
        del table["intended"]
    if isinstance(stage, PluginStage) and stage.preset is not None:
        table["preset"] = stage.preset.kept_as
    return table


def stage_table(stage: ResolvedStage) -> dict[str, Any]:
    """A stage as a chain file writes it."""
    intended = {"intended": True} if stage.intended else {}
    settings = {s.key: s.written for s in stage.settings if s.written is not None}
    if stage.plugin is not None:
        preset = {"preset": stage.plugin.preset} if stage.plugin.preset else {}
        return {"plugin": stage.effect, **intended, **preset, "params": settings}
    return {"effect": stage.effect, **intended, **settings}
