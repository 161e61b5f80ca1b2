"""Plug-in files described, each in a worker of its own, and what was found kept for the next time.

Failures are kept too: a file that crashed is not run again until it changes.
"""

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import msgspec

from chainweigh.audio.atomic import write_bytes
from chainweigh.errors import PluginError, PluginFaultError
from chainweigh.hosts.binary import BUNDLE_FORMATS, check_binary, check_system
from chainweigh.hosts.content import digest, stamp
from chainweigh.hosts.records import PEDALBOARD, PluginRecord
from chainweigh.hosts.worker_process import WorkerProcess

KEPT_AS = "plugins-2.json"  # the number goes up when what is described changes
OTHER_ENGINES = {"vst3": (PEDALBOARD,)}


@dataclass(frozen=True)
class ScannedFile:
    """A plug-in file and what it holds.

    Attributes
    ----------
    digest : of its content
    refusal : why it cannot be used at all
    fault : how it failed while it was loaded
    """

    format: str
    path: Path
    size_bytes: int
    modified_ns: int
    digest: str
    records: tuple[PluginRecord, ...] = ()
    refusal: str | None = None
    fault: str | None = None


class Scan:
    """What is known of plug-in files, kept in a folder."""

    def __init__(self, folder: Path) -> None:
        self._kept = folder / KEPT_AS
        self._files = _read(self._kept)

    @classmethod
    def at_default_place(cls) -> "Scan":
        """In $XDG_CACHE_HOME/chainweigh or the platform's place."""
        from platformdirs import user_cache_path

        return cls(user_cache_path("chainweigh", appauthor=False))

    def files(self) -> tuple[ScannedFile, ...]:
        """Every file known and still there, unchanged."""
        return tuple(f for f in self._files.values() if stamp(f.path) == _known_stamp(f))

    def describe(self, format_name: str, path: Path, *, again: bool = False) -> ScannedFile:
        """A file's plug-ins, from what is kept or by loading it in a worker.

        Raises
        ------
        PluginError
            The file cannot be read.
        """
        known = self._files.get(path)
        if known and not again and stamp(path) == _known_stamp(known):
            return known
        found = _described(format_name, path)
        self._files[path] = found
        return found

    def describe_all(
        self,
        files: Iterable[tuple[str, Path]],
        *,
        again: bool = False,
        progress: Callable[[str], None] = lambda name: None,
    ) -> tuple[ScannedFile, ...]:
        """Every file of (format, path), as many side by side as there are cores; then kept."""

        def described(file: tuple[str, Path]) -> ScannedFile | None:
            with suppress(PluginError):  # gone since it was listed
                return self.describe(*file, again=again)
            return None

        listed = list(files)
        found = []
        with ThreadPoolExecutor(os.cpu_count()) as threads:
            for (_, path), file in zip(listed, threads.map(described, listed), strict=True):
                progress(path.name)
                found.append(file)
        self.keep()
        return tuple(file for file in found if file)

    def keep(self) -> None:
        """Write what is known; files that are gone are forgotten."""
        present = [found for found in self._files.values() if found.path.exists()]
        content = msgspec.json.encode(present, enc_hook=str)
        with suppress(OSError):  # a place that cannot be written keeps nothing
            self._kept.parent.mkdir(parents=True, exist_ok=True)
            if not self._kept.exists() or self._kept.read_bytes() != content:
                write_bytes(self._kept, content)


def _read(kept: Path) -> dict[Path, ScannedFile]:
    try:
        found = msgspec.json.decode(
            kept.read_bytes(), type=list[ScannedFile], dec_hook=lambda kind, value: kind(value)
        )
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError):
        return {}
    return {file.path: file for file in found}


def _known_stamp(file: ScannedFile) -> tuple[int, int]:
    return file.size_bytes, file.modified_ns


def _described(format_name: str, path: Path) -> ScannedFile:
    found = stamp(path)
    if found is None:
        raise PluginError(f"{path}: no such file")
    records: tuple[PluginRecord, ...] = ()
    refusal = fault = None
    try:
        check_system(format_name, str(path))
        if format_name not in BUNDLE_FORMATS:
            check_binary(path)
        records = _records(format_name, path)
    except PluginError as error:
        refusal = str(error)
    except PluginFaultError as error:
        fault = str(error)
    content = digest(path) if path.is_file() or format_name in BUNDLE_FORMATS else ""
    return ScannedFile(format_name, path, *found, content, records, refusal, fault)


def _records(format_name: str, path: Path) -> tuple[PluginRecord, ...]:
    """As the first engine that can load the file describes them; the first's reason if none can."""
    failures: list[PluginError | PluginFaultError] = []
    for engine in (format_name, *OTHER_ENGINES.get(format_name, ())):
        try:
            worker = WorkerProcess(engine, path)
        except (PluginError, PluginFaultError) as error:
            failures.append(error)
        else:
            worker.close()
            return worker.records
    raise failures[0]
