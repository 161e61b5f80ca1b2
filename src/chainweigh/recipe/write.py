"""recipe.toml written from a run: the winning set, readable and editable by hand."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import tomli_w

from chainweigh.audio.atomic import write_text
from chainweigh.ranking.results import MASTER, Comparison, ResolvedStage, Results, Search
from chainweigh.ranking.settings import RankSettings
from chainweigh.recipe.recipe import FORMAT
from chainweigh.recipe.winning_numbers import Numbers, place_numbers, song_numbers, winner_of


def write_recipe(results: Results, path: Path) -> None:
    """Write the winning set of a run as recipe.toml."""
    groups = [c for c in results.comparisons if c.name != MASTER]
    master = next(c for c in results.comparisons if c.name == MASTER)
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
            "plugins": [_plugin_table(stage) for stage in _plugin_stages(results)],
        },
        "group": [_place_table(comparison) for comparison in groups],
        MASTER: {key: value for key, value in _place_table(master).items() if key != "name"},
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


def _place_table(comparison: Comparison) -> dict[str, Any]:
    won = winner_of(comparison)
    table: dict[str, Any] = {"name": comparison.name, "chain": won.name, "about": won.about}
    table["won"] = _known(place_numbers(comparison))
    if won.searches:
        table["found"] = [_found_table(search) for search in won.searches]
    table["stage"] = [stage_table(stage) for stage in won.stages]
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


def _plugin_stages(results: Results) -> list[ResolvedStage]:
    won = map(winner_of, results.comparisons)
    return [stage for candidate in won for stage in candidate.stages if stage.plugin is not None]


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


def stage_table(stage: ResolvedStage) -> dict[str, Any]:
    """A stage as a chain file writes it."""
    intended = {"intended": True} if stage.intended else {}
    settings = {s.key: s.written for s in stage.settings if s.written is not None}
    if stage.plugin is not None:
        preset = {"preset": stage.plugin.preset} if stage.plugin.preset else {}
        return {"plugin": stage.effect, **intended, **preset, "params": settings}
    return {"effect": stage.effect, **intended, **settings}
