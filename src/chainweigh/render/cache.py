"""Finished work on disk: matched renders as WAV, what was measured of them as JSON.

Notes
-----
An entry's record is written last and holds the size and time of its audio: a kill between the two
leaves no entry, and a file changed afterwards (run folders hard-link these files) is not used.
"""

import hashlib
import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import TypeVar

import msgspec

from chainweigh.audio.array import Samples
from chainweigh.audio.atomic import remove_abandoned, write_bytes
from chainweigh.audio.files import write_wav
from chainweigh.kernels import native_library

DEFAULT_LIMIT_BYTES = 10 * 2**30

_Record = TypeVar("_Record")


@lru_cache(maxsize=1)
def code_digest() -> str:
    """Digest of everything that decides a result: this package's sources and its engines."""
    digest = hashlib.blake2b(digest_size=16)
    package = Path(__file__).resolve().parents[1]
    for file in sorted([*package.rglob("*.py"), *package.rglob("*.[ch]")]):
        digest.update(file.relative_to(package).as_posix().encode())
        digest.update(file.read_bytes())
    digest.update(json.dumps(engine_versions()).encode())
    return digest.hexdigest()


def engine_versions() -> dict[str, str]:
    """Versions of what renders and measures."""
    names = ("numpy", "scipy", "pedalboard", "soxr", "soundfile")
    kernels = "compiled" if native_library.compiled else "numpy twins"
    return {"kernels": kernels, **{name: version(name) for name in names}}


@dataclass(frozen=True)
class _Stamp:
    size_bytes: int
    modified_ns: int


class Cache:
    """A bounded folder of finished renders, shared by runs.

    Parameters
    ----------
    root : folder, made when first written to
    limit_bytes : size `trim` brings the folder down to
    """

    def __init__(self, root: Path, limit_bytes: int = DEFAULT_LIMIT_BYTES) -> None:
        self.root = root
        self.limit_bytes = limit_bytes
        self._used: set[str] = set()

    @classmethod
    def at_default_place(cls) -> "Cache":
        """The cache in $XDG_CACHE_HOME/chainweigh or the platform's place."""
        from platformdirs import user_cache_path

        return cls(user_cache_path("chainweigh", appauthor=False))

    @staticmethod
    def key(*parts: object) -> str:
        """Key of an entry from JSON-able parts, with `code_digest` among them."""
        text = json.dumps([code_digest(), *parts], sort_keys=True)
        return hashlib.blake2b(text.encode(), digest_size=20).hexdigest()

    def audio_path(self, key: str, part: str) -> Path:
        """Where a part of an entry's audio lies."""
        return self.root / key[:2] / f"{key}.{part}.wav"

    def _record_path(self, key: str) -> Path:
        return self.root / key[:2] / f"{key}.json"

    def load(self, key: str, kind: type[_Record]) -> _Record | None:
        """The record of a finished entry whose audio is still as it was written."""
        self._used.add(key)
        path = self._record_path(key)
        try:
            stamps, record = msgspec.json.decode(
                path.read_bytes(),
                type=tuple[dict[str, _Stamp], kind],  # type: ignore[valid-type]
            )
            if any(stamp != _stamp(self.audio_path(key, part)) for part, stamp in stamps.items()):
                return None
            os.utime(path)
        except (OSError, msgspec.MsgspecError, UnicodeDecodeError):
            return None
        found: _Record = record
        return found

    def keeps(self, audio: Iterable[Path]) -> bool:
        """Whether files of finished entries are still as they were written; counts as their use."""
        for key in sorted({_key_of(path) for path in audio}):
            if self.load(key, msgspec.Raw) is None:
                return False
        return True

    def store(
        self, key: str, record: object, audio: Mapping[str, Samples], sample_rate_hz: int
    ) -> None:
        """Write an entry: its audio first, part by part, its record last."""
        stamps = {}
        self._record_path(key).parent.mkdir(parents=True, exist_ok=True)
        for part, samples in audio.items():
            path = self.audio_path(key, part)
            write_wav(path, samples, sample_rate_hz)
            stamps[part] = _stamp(path)
        write_bytes(self._record_path(key), msgspec.json.encode((stamps, record)))

    def trim(self) -> int:
        """Remove what killed runs left, and entries least recently used until within the limit.

        This run's own entries are spared. Returns the bytes that are left on disk.
        """
        for folder in self.root.glob("??"):
            remove_abandoned(folder)
        entries = sorted(self._entries())
        total = sum(size for _, size, _ in entries)
        for _, size, files in entries:
            if total <= self.limit_bytes:
                break
            if _key_of(files[0]) not in self._used:
                for file in files:
                    file.unlink(missing_ok=True)
                total -= size
        return total

    def _entries(self) -> Iterable[tuple[int, int, list[Path]]]:
        """When each entry was used last, its size and its files, the record first."""
        for folder in self.root.glob("??"):
            audio: dict[str, list[Path]] = {}
            files = list(folder.iterdir())
            for path in files:
                if path.suffix == ".wav":
                    audio.setdefault(_key_of(path), []).append(path)
            for record in files:
                if record.suffix == ".json":
                    entry = [record, *audio.get(_key_of(record), ())]
                    stamps = [_stamp(file) for file in entry if file.exists()]
                    if stamps:
                        yield stamps[0].modified_ns, sum(s.size_bytes for s in stamps), entry


def _key_of(path: Path) -> str:
    return path.name.partition(".")[0]


def _stamp(path: Path) -> _Stamp:
    status = path.stat()
    return _Stamp(status.st_size, status.st_mtime_ns)
