"""Files and folders that appear complete or not at all.

Everything is written under a temporary name beside its target and renamed when it is whole, so a
process that is killed leaves no half-written result. Power loss is not covered: nothing is synced.
A file is locked while it is written, so that what a killed process left can be told and removed.
"""

import errno
import fcntl
import os
import secrets
import shutil
import time
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from chainweigh.errors import RunFolderError

PARTIAL_PREFIX = ".partial-"
JUST_BEGUN_S = 0.5  # a file this young may be about to be locked
RUN_MARKER = "results.json"
RUN_ENTRIES = (
    RUN_MARKER,
    "ranking.csv",
    "report.html",
    "report.md",
    "results.schema.json",
    "recipe.toml",
    "plots",
    "audio",
    "ladder",
    "masters",
    "session",
)
_SYSTEM_DROPPINGS = (".DS_Store", "Thumbs.db", "desktop.ini")


@contextmanager
def file_in_place(path: Path) -> Iterator[BinaryIO]:
    """Give a binary file that takes the name `path` on success and vanishes on any exception.

    Raises
    ------
    RunFolderError
        The folder is missing or not writable, the disk is full, or `path` is a folder.
    """
    partial = _partial_beside(path)
    with _naming(path):
        try:
            with partial.open("xb") as file:
                with suppress(OSError):  # a file system without locks
                    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                yield file
            partial.replace(path)
        finally:
            with suppress(OSError):
                partial.unlink()


def remove_abandoned(folder: Path) -> None:
    """Remove the temporary files in a folder that a killed process left there."""
    for partial in folder.glob(f"{PARTIAL_PREFIX}*"):
        with suppress(OSError), partial.open("rb") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)  # fails while its writer lives
            if time.time() - os.fstat(file.fileno()).st_mtime > JUST_BEGUN_S:
                partial.unlink()


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file in one step; RunFolderError names the path when that fails."""
    with file_in_place(path) as file:
        file.write(content)


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text in one step, line ends as they are; RunFolderError names the path."""
    write_bytes(path, text.encode("utf-8"))


def link_or_copy(source: Path, target: Path, *, link: bool = True) -> None:
    """Make `target` a hard link to `source`, or a copy where the file system allows no link.

    Parameters
    ----------
    link : bool
        False makes it a copy in any case.

    Raises
    ------
    RunFolderError
        The source is missing, or the target cannot be written.

    Notes
    -----
    A linked file shares its bytes with the source: replace it, never write into it.
    """
    if not source.is_file():
        raise RunFolderError(f"{source}: no such file, so {target} cannot be made from it")
    partial = _partial_beside(target)
    with _naming(target):
        try:
            if not (link and _linked(source, partial)):
                shutil.copyfile(source, partial)
            partial.replace(target)
        finally:
            # Renaming one hard link over another of the same file does nothing and reports success.
            with suppress(OSError):
                partial.unlink()


def _linked(source: Path, target: Path) -> bool:
    try:
        os.link(source.resolve(), target)
    except OSError:
        return False
    return True


@contextmanager
def folder_in_place(
    path: Path, *, marker: str = RUN_MARKER, entries: Collection[str] = RUN_ENTRIES
) -> Iterator[Path]:
    """Give a fresh folder that takes the name `path` on success and vanishes on any exception.

    Parameters
    ----------
    path : Path
        The folder to make. Its parent must exist.
    marker, entries : str, collection of str
        A folder that stands at `path` already is replaced only when it is empty, or holds `marker`
        and nothing but `entries`: no one's other files are deleted.

    Yields
    ------
    Path
        `.NAME.partial` beside the target. One left by a killed process is removed first.

    Raises
    ------
    RunFolderError
        The target may not be replaced, another process is writing it, or the disk refuses.
    """
    path = path.resolve()
    partial, aside = path.with_name(f".{path.name}.partial"), path.with_name(f".{path.name}.old")
    with _naming(path):
        _recover(path, aside)
        _check_replaceable(path, marker, entries)
        lock = _fresh_locked_folder(path, partial)
    try:
        yield partial
        _check_replaceable(path, marker, entries)
        with _naming(path):
            _swap(path, partial, aside)
    finally:
        shutil.rmtree(partial, ignore_errors=True)
        os.close(lock)


def _recover(path: Path, aside: Path) -> None:
    """Bring back the folder that a process killed in the middle of `_swap` had put aside."""
    if aside.exists() and not path.exists():
        aside.rename(path)


def _swap(path: Path, partial: Path, aside: Path) -> None:
    if aside.exists():
        shutil.rmtree(aside)
    if path.exists():
        path.rename(aside)
    try:
        partial.rename(path)
    except BaseException:
        if aside.exists():
            aside.rename(path)
        raise
    shutil.rmtree(aside, ignore_errors=True)


def _check_replaceable(path: Path, marker: str, entries: Collection[str]) -> None:
    if not path.exists():
        return
    if not path.is_dir():
        raise RunFolderError(f"{path}: is a file; a folder is needed")
    present = {entry.name for entry in path.iterdir()} - set(_SYSTEM_DROPPINGS)
    if not present:
        return
    if marker not in present:
        raise RunFolderError(
            f"{path}: holds other files ({min(present)}) and no {marker}; "
            "name a new or empty folder, or an earlier run's"
        )
    strangers = sorted(present - set(entries))
    if strangers:
        raise RunFolderError(
            f"{path}: holds {', '.join(strangers)} beside an earlier run; "
            "replacing the run would delete it, so move it or name another folder"
        )


def _fresh_locked_folder(path: Path, partial: Path) -> int:
    if partial.exists():
        stale = _lock(path, partial)
        shutil.rmtree(partial)
        os.close(stale)
    partial.mkdir()
    return _lock(path, partial)


def _lock(path: Path, partial: Path) -> int:
    """Hold a lock that ends with the process; file systems without locks are used without."""
    folder = os.open(partial, os.O_RDONLY)
    try:
        fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
            os.close(folder)
            raise RunFolderError(f"{path}: another run is writing this folder now") from error
    return folder


def _partial_beside(path: Path) -> Path:
    return path.parent / f"{PARTIAL_PREFIX}{secrets.token_hex(8)}"


@contextmanager
def _naming(path: Path) -> Iterator[None]:
    """Turn the system's refusals into RunFolderError with the path and the system's reason."""
    try:
        yield
    except RunFolderError:
        raise
    except OSError as error:
        if error.errno == errno.ENOENT and not path.parent.is_dir():
            raise RunFolderError(
                f"{path}: cannot be written: folder {path.parent} does not exist"
            ) from error
        raise RunFolderError(f"{path}: cannot be written: {error.strerror or error}") from error
