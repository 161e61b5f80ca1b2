"""A plug-in's file, or every file of its bundle: whether it changed, and its digest."""

import hashlib
from pathlib import Path


def stamp(path: Path) -> tuple[int, int] | None:
    """Size in bytes and newest time of change in ns, a cheap sign of change; None if not there."""
    try:
        found = [file.stat() for file in _files(path)]
    except OSError:
        return None
    newest_ns = max((status.st_mtime_ns for status in found), default=0)
    return sum(status.st_size for status in found), newest_ns


def digest(path: Path) -> str:
    """Of the content; in a bundle of the names too."""
    found = hashlib.blake2b(digest_size=16)
    for file in _files(path):
        if file != path:
            content_size = file.stat().st_size
            found.update(f"{file.relative_to(path)}\0{content_size}\0".encode())
        found.update(file.read_bytes())
    return found.hexdigest()


def _files(path: Path) -> list[Path]:
    return sorted(f for f in path.rglob("*") if f.is_file()) if path.is_dir() else [path]
