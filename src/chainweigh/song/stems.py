"""Which audio files of a song's folder belong to which group."""

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath

from chainweigh.audio.atomic import RUN_MARKER
from chainweigh.errors import SongError
from chainweigh.song.song_file import SONG_FILE, SongFile, closest

# Formats of audio by file name. Some of them libsndfile cannot read: those are errors, not ignored.
AUDIO_SUFFIXES = frozenset(
    {".wav", ".wave", ".bwf", ".rf64", ".w64", ".aif", ".aiff", ".aifc", ".flac", ".caf", ".au"}
    | {".snd", ".ogg", ".oga", ".opus", ".mp3", ".m4a", ".aac", ".wma", ".wv", ".ape", ".alac"}
)


@dataclass(frozen=True)
class StemFiles:
    """Files of each group and the mix, as sorted names relative to the folder; what was left out.

    `left_out` holds sentences for the reader.
    """

    groups: Mapping[str, tuple[str, ...]]
    mix: str | None
    left_out: tuple[str, ...]


def find_stems(folder: Path, song_file: SongFile) -> StemFiles:
    """Sort a folder's audio files into groups.

    Raises
    ------
    SongError
        No audio; a file or glob of song.toml that matches nothing, leaves the folder, or puts a
        file into two groups.
    """
    mix = None if song_file.mix is None else _listed_file(folder, "mix", song_file.mix)
    left_out: tuple[str, ...] = ()
    if song_file.groups is not None:
        groups = {
            name: _matches(folder, f'[groups] "{name}"', patterns)
            for name, patterns in song_file.groups.items()
        }
    else:
        groups, left_out = _groups_by_layout(folder, mix)
    _check_owned_once(folder, groups, mix)
    return StemFiles(groups, mix, left_out)


def _groups_by_layout(
    folder: Path, mix: str | None
) -> tuple[dict[str, tuple[str, ...]], tuple[str, ...]]:
    """Each sub-folder with audio is a group; where there is none, each file is."""
    loose: list[str] = []
    by_folder: dict[str, list[str]] = {}
    left_out: list[str] = []
    for entry in sorted(p for p in folder.iterdir() if not p.name.startswith(".")):
        if entry.is_dir() and (entry / RUN_MARKER).exists():
            left_out.append(f"{entry.name} is passed over: it is a run's folder ({RUN_MARKER})")
        elif entry.is_dir():
            by_folder[entry.name] = sorted(n for n in _audio_below(folder, entry) if n != mix)
        elif _is_audio_name(entry.name) and entry.name != mix:
            loose.append(entry.name)
    groups = {name: tuple(files) for name, files in by_folder.items() if files}
    if groups:
        left_out += [
            f"{name} is in no group, since it lies beside the groups' folders; "
            f'a bounce of the mix is named in {SONG_FILE}: mix = "{name}"'
            for name in loose
        ]
        return groups, tuple(left_out)
    return _one_group_a_file(folder, loose), tuple(left_out)


def _one_group_a_file(folder: Path, names: list[str]) -> dict[str, tuple[str, ...]]:
    groups: dict[str, tuple[str, ...]] = {}
    for name in names:
        group = PurePosixPath(name).stem
        if group in groups:
            raise SongError(
                f'{folder}: {groups[group][0]} and {name} would both be group "{group}"; '
                "rename one of them"
            )
        groups[group] = (name,)
    if not groups:
        raise SongError(
            f"{folder}: holds no stems; put audio files in it (WAV, AIFF, FLAC), "
            "one a group or a sub-folder a group"
        )
    return groups


def _audio_below(folder: Path, start: Path) -> Iterator[str]:
    for root, folders, files in os.walk(start, onerror=_raise):
        folders[:] = [name for name in folders if not name.startswith(".")]
        for name in files:
            if _is_audio_name(name):
                yield (Path(root) / name).relative_to(folder).as_posix()


def _raise(error: OSError) -> None:
    """Make os.walk stop at a folder it may not read instead of passing over it."""
    raise error


def _is_audio_name(name: str) -> bool:
    return not name.startswith(".") and PurePosixPath(name).suffix.lower() in AUDIO_SUFFIXES


def _matches(folder: Path, where: str, patterns: tuple[str, ...]) -> tuple[str, ...]:
    found: set[str] = set()
    for pattern in patterns:
        _check_inside(folder, where, pattern)
        if any(c in pattern for c in "*?[") and not (folder / pattern).exists():
            found.update(_globbed(folder, where, pattern))
        else:
            found.add(_listed_file(folder, where, pattern))
    return tuple(sorted(found))


def _globbed(folder: Path, where: str, pattern: str) -> list[str]:
    try:
        paths = [p.relative_to(folder) for p in folder.glob(pattern) if p.is_file()]
    except ValueError as error:
        raise SongError(f'{folder / SONG_FILE}: {where}: glob "{pattern}": {error}') from error
    names = [
        p.as_posix()
        for p in paths
        if _is_audio_name(p.name) and not any(part.startswith(".") for part in p.parts)
    ]
    if not names:
        raise SongError(
            f'{folder / SONG_FILE}: {where}: glob "{pattern}" matches no audio file in {folder}'
        )
    return names


def _listed_file(folder: Path, where: str, name: str) -> str:
    _check_inside(folder, where, name)
    path = folder / name
    if path.is_dir():
        raise SongError(
            f'{folder / SONG_FILE}: {where}: "{name}" is a folder; '
            f'write "{name.rstrip("/")}/*" for the audio files in it'
        )
    if not path.is_file():
        hint = closest(name, sorted(_audio_below(folder, folder)))
        raise SongError(f'{folder / SONG_FILE}: {where}: no file "{name}" in {folder}; {hint}')
    return path.relative_to(folder).as_posix()


def _check_inside(folder: Path, where: str, name: str) -> None:
    absolute = PurePosixPath(name).is_absolute() or PureWindowsPath(name).is_absolute()
    if absolute or ".." in PurePosixPath(name).parts:
        raise SongError(
            f'{folder / SONG_FILE}: {where}: "{name}" leaves the song\'s folder; files are named '
            "relative to it and lie inside, so that the folder can be moved and handed on whole"
        )


def _check_owned_once(folder: Path, groups: Mapping[str, tuple[str, ...]], mix: str | None) -> None:
    """Refuse a file that plays twice, also where two names or links lead to it."""
    owners: dict[Path, tuple[str, str]] = {}
    if mix is not None:
        owners[(folder / mix).resolve()] = ("the mix", mix)
    for group, names in groups.items():
        for name in names:
            owner, other = owners.setdefault((folder / name).resolve(), (f'group "{group}"', name))
            if (owner, other) != (f'group "{group}"', name):
                same = name if name == other else f"{name} (the same file as {other})"
                raise SongError(
                    f'{folder}: {same} is in {owner} and in group "{group}"; it may be in one only'
                )
