"""Chain files (TOML) read into chains, sweeps spread into one variant each."""

import difflib
import itertools
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Any

from chainweigh.audio.slug import slug
from chainweigh.chain.chain import BYPASS_NAME, SCOPES, AnyStage, Chain, Stage
from chainweigh.chain.plugin_stage import PluginStage, parse_plugin_value
from chainweigh.chain.search import SearchRange, search_range
from chainweigh.chain.values import Value, parse_value
from chainweigh.effects import effect
from chainweigh.errors import ChainFileError, PluginError
from chainweigh.hosts.find import find_plugin
from chainweigh.hosts.presets import find_preset
from chainweigh.hosts.scan import Scan

CHAIN_KEYS = ("name", "scope", "about", "stage")
STAGE_KEYS = ("effect", "intended")
PLUGIN_KEYS = ("plugin", "params", "preset", "intended")
RESERVED = (BYPASS_NAME, "reference")


@dataclass(frozen=True)
class _Sweep:
    """Values a chain file lists for one setting, each of which becomes a variant."""

    values: tuple[Value, ...]


@dataclass(frozen=True)
class _Search:
    """The ends between which a chain file has one setting searched."""

    start: Value
    stop: Value


def shipped_chains_folder() -> Path:
    """Folder of the chains that ship with chainweigh."""
    return Path(str(resources.files("chainweigh.shipped_chains")))


def shipped_searches_folder() -> Path:
    """Folder of the shipped chains whose drive is searched."""
    return shipped_chains_folder() / "search"


def load_chains(folder: Path) -> tuple[Chain, ...]:
    """Every chain of a folder of .toml files, sweeps spread, in order of file name.

    Raises
    ------
    ChainFileError
        No such folder, no chain in it, a file that is not a valid chain, or two names that read
        alike as file names.
    """
    if not folder.is_dir():
        raise ChainFileError(f"{folder}: not a folder of chain files")
    files = sorted(p for p in folder.glob("*.toml") if not p.name.startswith("."))
    if not files:
        raise ChainFileError(f"{folder}: no chain files (*.toml) in this folder")
    chains: list[Chain] = []
    owners: dict[tuple[str, str], tuple[str, Path]] = {}
    for file in files:
        for chain in load_chain(file):
            other = owners.setdefault((chain.scope, slug(chain.name)), (chain.name, file))
            if other != (chain.name, file):
                raise ChainFileError(
                    f'{file}: name "{chain.name}" reads like "{other[0]}" of {other[1].name}; '
                    "names must differ in letters or digits"
                )
            chains.append(chain)
    return tuple(chains)


def load_chain(file: Path) -> tuple[Chain, ...]:
    """The chain of a file: one, or one a variant where it sweeps.

    Raises
    ------
    ChainFileError
        Naming the file, the key, the value and what is allowed.
    """
    return tuple(parse_chain(read_toml(file), where=str(file), folder=file.parent))


def read_toml(file: Path) -> dict[str, Any]:
    """A TOML file as a table.

    Raises
    ------
    ChainFileError
        Unreadable, not UTF-8, or a syntax error with its line.
    """
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise ChainFileError(f"{file}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise ChainFileError(f"{file}: is not UTF-8 text") from error
    except tomllib.TOMLDecodeError as error:
        raise ChainFileError(f"{file}: TOML syntax error: {error}") from error


def parse_chain(table: Mapping[str, Any], *, where: str, folder: Path = Path()) -> Iterator[Chain]:
    """The chain of a parsed table, one a variant where it sweeps.

    Parameters
    ----------
    folder : what a plug-in's relative path is relative to; the working folder without it

    Raises
    ------
    ChainFileError
        As `load_chain`, with `where` as the place.
    """
    check_keys(table, CHAIN_KEYS, where)
    name, about = required_text(table, "name", where), table.get("about", "")
    if slug(name) in RESERVED:
        raise ChainFileError(f'{where}: name "{name}" is reserved; choose another')
    scope = required_text(table, "scope", where)
    if scope not in SCOPES:
        raise ChainFileError(f'{where}: scope "{scope}" is not known; use {" or ".join(SCOPES)}')
    stages = table.get("stage", [])
    if not isinstance(stages, list) or not stages:
        raise ChainFileError(f"{where}: no [[stage]]; a chain needs at least one")
    parsed = [_parse_stage(s, f"{where}: stage {i + 1}", folder) for i, s in enumerate(stages)]
    if not isinstance(about, str):
        raise ChainFileError(f"{where}: about = {about!r} is not text")
    yield from _variants(Chain(name, scope, about, ()), parsed)


def required_text(table: Mapping[str, Any], key: str, where: str) -> str:
    """A text that a table must hold.

    Raises
    ------
    ChainFileError
        Missing, empty or not text.
    """
    value = table.get(key)
    if not isinstance(value, str) or not value.strip():
        raise ChainFileError(f"{where}: {key} is missing or not text")
    return value


def check_keys(table: object, known: Iterable[str], where: str) -> None:
    """Refuse what is no table, and a key that is not known, naming the closest.

    Raises
    ------
    ChainFileError
        Not a table; or the first unknown key, with the closest known ones.
    """
    if not isinstance(table, Mapping):
        raise ChainFileError(f"{where}: {table!r} is not a table")
    known = tuple(known)
    for key in table:
        if key not in known:
            close = difflib.get_close_matches(key, known, n=3, cutoff=0.4) or known
            raise ChainFileError(f'{where}: unknown key "{key}"; did you mean {", ".join(close)}?')


_Settings = Mapping[str, Value]


@dataclass(frozen=True)
class _RawStage:
    """A stage before its sweeps are spread: `make` builds it from one choice of settings."""

    make: Callable[[_Settings], AnyStage]
    settings: Mapping[str, Value | _Sweep | _Search]
    where: str


def _parse_stage(table: Mapping[str, Any], where: str, folder: Path) -> _RawStage:
    if isinstance(table, dict) and "plugin" in table:
        return _parse_plugin_stage(table, where, folder)
    if not isinstance(table, dict) or "effect" not in table:
        raise ChainFileError(f"{where}: effect or plugin is missing")
    try:
        found = effect(str(table["effect"]))
    except ChainFileError as error:
        raise ChainFileError(f"{where}: {error}") from error
    where = f"{where} ({found.name})"
    parameters = {p.name: p for p in found.parameters}
    check_keys(table, (*STAGE_KEYS, *parameters), where)
    settings = {
        key: _parse_setting(partial(parse_value, parameters[key]), value, f"{where}: {key}")
        for key, value in table.items()
        if key not in STAGE_KEYS
    }
    make = partial(Stage, found.name, intended=_intended(table, where))
    return _RawStage(make, settings, where)


def _parse_plugin_stage(table: Mapping[str, Any], where: str, folder: Path) -> _RawStage:
    check_keys(table, PLUGIN_KEYS, where)
    written, params = required_text(table, "plugin", where), table.get("params", {})
    if not isinstance(params, dict):
        raise ChainFileError(f"{where}: params = {params!r} is not a table")
    try:
        plugin = find_plugin(written, folder, Scan.at_default_place())
        preset = None
        if "preset" in table:
            preset = find_preset(required_text(table, "preset", where), folder, plugin)
    except PluginError as error:
        raise ChainFileError(f"{where}: {error}") from error
    where = f"{where} ({plugin.reference})"
    settings = {
        key: _parse_setting(partial(parse_plugin_value, plugin, key), value, f"{where}: {key}")
        for key, value in params.items()
    }
    make = partial(PluginStage, plugin, intended=_intended(table, where), preset=preset)
    return _RawStage(make, settings, where)


def _intended(table: Mapping[str, Any], where: str) -> bool:
    intended = table.get("intended", False)
    if not isinstance(intended, bool):
        raise ChainFileError(f"{where}: intended = {intended!r} is not true or false")
    return intended


def _parse_setting(
    parse: Callable[[object], Value], value: object, where: str
) -> Value | _Sweep | _Search:
    try:
        if not isinstance(value, dict):
            return parse(value)
        (word, listed), *more = value.items() or [("", None)]
        if more or word not in ("sweep", "search") or not isinstance(listed, list) or not listed:
            raise ChainFileError(
                "a table here must be { sweep = [a, b, c] } or { search = [from, to] }"
            )
        values = tuple(map(parse, listed))
        if word == "search":
            if len(values) != 2:
                raise ChainFileError("a search has two ends: { search = [from, to] }")
            return _Search(*values)
    except ChainFileError as error:
        raise ChainFileError(f"{where}: {error}") from error
    if len(set(values)) < len(values):
        raise ChainFileError(f"{where}: a value stands twice in the sweep")
    return _Sweep(values)


def _variants(base: Chain, stages: list[_RawStage]) -> Iterator[Chain]:
    swept = [
        (i, key, value.values)
        for i, raw in enumerate(stages)
        for key, value in raw.settings.items()
        if isinstance(value, _Sweep)
    ]
    for picked in itertools.product(*(values for _, _, values in swept)):
        choice = {(i, key): value for (i, key, _), value in zip(swept, picked, strict=True)}
        built = tuple(_fixed_stage(i, raw, choice) for i, raw in enumerate(stages))
        labels = [f"{key} {built[i].written()[key]}" for i, key in choice]
        name = f"{base.name}, {', '.join(labels)}" if labels else base.name
        yield replace(base, name=name, stages=built, searches=tuple(_searches(stages, built)))


def _searches(stages: list[_RawStage], built: Sequence[AnyStage]) -> Iterator[SearchRange]:
    for i, (raw, stage) in enumerate(zip(stages, built, strict=True)):
        for key, value in raw.settings.items():
            if isinstance(value, _Search):
                try:
                    yield search_range(i, key, stage.unit(key), value.start, value.stop)
                except ChainFileError as error:
                    raise ChainFileError(f"{raw.where}: {key}: {error}") from error


def _fixed_stage(i: int, raw: _RawStage, choice: Mapping[tuple[int, str], Value]) -> AnyStage:
    """The stage of one choice, searched settings at their gentle ends; both ends are checked."""
    fixed, deep = {}, {}
    for key, value in raw.settings.items():
        if isinstance(value, _Search):
            fixed[key], deep[key] = value.start, value.stop
        else:
            fixed[key] = choice[i, key] if isinstance(value, _Sweep) else value
    stage = raw.make(fixed)
    try:
        stage.completed()
        raw.make({**fixed, **deep}).completed()
    except ChainFileError as error:
        raise ChainFileError(f"{raw.where}: {error}") from error
    return stage
