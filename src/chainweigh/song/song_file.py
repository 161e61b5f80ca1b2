"""song.toml: what a song's folder says about itself."""

import difflib
import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from chainweigh.errors import SongError

SONG_FILE = "song.toml"
TEMPO_RANGE_BPM = (20.0, 400.0)
BEATS_RANGE = (1, 32)
_KEYS = ("title", "tempo_bpm", "beats_per_bar", "groups", "mix")


@dataclass(frozen=True)
class SongFile:
    """A parsed song.toml. `groups` None: the folder's own order of things decides."""

    title: str | None = None
    tempo_bpm: float | None = None
    beats_per_bar: int | None = None
    groups: Mapping[str, tuple[str, ...]] | None = None
    mix: str | None = None


def load_song_file(path: Path) -> SongFile:
    """Read a song.toml; one that states nothing where there is none.

    Raises
    ------
    SongError
        Naming the file, the key, its value and what is allowed; a syntax error with its line.
    """
    table = _read_table(path)
    for key in table:
        if key not in _KEYS:
            raise SongError(f'{path}: key "{key}" is not known; {closest(key, _KEYS)}')
    return SongFile(
        title=_text(path, table, "title"),
        tempo_bpm=_tempo(path, table),
        beats_per_bar=_beats(path, table),
        groups=_groups(path, table),
        mix=_text(path, table, "mix"),
    )


def closest(name: str, known: Iterable[str]) -> str:
    """Hint with the names closest to one that is not known, or with all of them."""
    names = {candidate.lower(): candidate for candidate in known}
    near = difflib.get_close_matches(name.lower(), names, n=3, cutoff=0.6)
    if near:
        return "closest: " + ", ".join(names[n] for n in near)
    return "there are: " + (", ".join(names.values()) or "none")


def _read_table(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise SongError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise SongError(f"{path}: byte {error.start} is not UTF-8; save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        n_lines = max(1, len(path.read_bytes().splitlines()))
        reason = str(error).replace("at end of document", f"at line {n_lines}, the last")
        raise SongError(f"{path}: TOML syntax error: {reason}") from error


def _text(path: Path, table: Mapping[str, Any], key: str) -> str | None:
    value = table.get(key)
    if value is not None and not (isinstance(value, str) and value.strip()):
        raise SongError(f"{path}: {key} = {value!r}; a text in quotes is needed")
    return value


def _tempo(path: Path, table: Mapping[str, Any]) -> float | None:
    value, (low, high) = table.get("tempo_bpm"), TEMPO_RANGE_BPM
    if value is None:
        return None
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not math.isfinite(value) or not low <= value <= high:
        raise SongError(f"{path}: tempo_bpm = {value!r}; {low:g} to {high:g} BPM is allowed")
    return float(value)


def _beats(path: Path, table: Mapping[str, Any]) -> int | None:
    value, (low, high) = table.get("beats_per_bar"), BEATS_RANGE
    if value is None:
        return None
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise SongError(
            f"{path}: beats_per_bar = {value!r}; a whole number from {low} to {high} is needed"
        )
    return value


def _groups(path: Path, table: Mapping[str, Any]) -> dict[str, tuple[str, ...]] | None:
    value = table.get("groups")
    if value is None:
        return None
    if not isinstance(value, dict) or not value:
        raise SongError(f'{path}: [groups] needs at least one line such as drums = "drums/*.wav"')
    return {name: _patterns(path, name, entry) for name, entry in value.items()}


def _patterns(path: Path, name: str, entry: Any) -> tuple[str, ...]:
    patterns = [entry] if isinstance(entry, str) else entry
    if (
        not isinstance(patterns, list)
        or not patterns
        or not all(isinstance(p, str) and p.strip() for p in patterns)
    ):
        raise SongError(
            f'{path}: [groups] "{name}" = {entry!r}; '
            "a file, a glob, or a list of them in quotes is needed"
        )
    return tuple(patterns)
