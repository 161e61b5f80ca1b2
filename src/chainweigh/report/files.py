"""Output files that appear whole or not at all."""

import os
from pathlib import Path

from chainweigh.errors import RunFolderError


def write_whole(path: Path, text: str) -> None:
    """Write text as UTF-8 to a temporary sibling, then rename it over `path`.

    Raises
    ------
    RunFolderError
        The folder is missing, not writable or full; an older file at `path` is left as it was.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as stream:
            stream.write(text.encode("utf-8", errors="replace"))
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
    except OSError as error:
        raise RunFolderError(f"{path}: cannot be written: {error.strerror}") from error
    finally:
        part.unlink(missing_ok=True)
