"""Where plug-ins are searched: standard folders of Linux, and the variables that change them.

Audio Units, which are for macOS, have theirs there.

References
----------
LADSPA 1.1, CLAP 1.2, LV2 1.18 and VST 3.7 on search paths; multiarch folders as the Filesystem
Hierarchy Standard's /usr/lib/ARCH.
"""

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from chainweigh.hosts.binary import BUNDLE_FORMATS, MACOS, SUFFIXES

FORMATS = tuple(SUFFIXES.values())
_SUFFIX = {name: suffix for suffix, name in SUFFIXES.items()}
_COMPONENTS = Path("Library/Audio/Plug-Ins/Components")


def plugin_folders(format_name: str) -> tuple[Path, ...]:
    """Folders of a format, in order: its variable replaces the standard ones, CLAP_PATH adds.

    VST3 and Audio Units have no variable.
    """
    if format_name == "au":
        return (Path.home() / _COMPONENTS, "/" / _COMPONENTS) if MACOS else ()
    if format_name == "vst3":
        return (Path.home() / ".vst3", Path("/usr/lib/vst3"), Path("/usr/local/lib/vst3"))
    said = _variable(f"{format_name.upper()}_PATH")
    if format_name == "clap":
        return (*said, Path.home() / ".clap", Path("/usr/lib/clap"))
    system = (Path("/usr/local/lib"), Path("/usr/lib"), *sorted(Path("/usr/lib").glob("*-linux-*")))
    return said or (Path.home() / f".{format_name}", *(folder / format_name for folder in system))


def _variable(name: str) -> tuple[Path, ...]:
    parts = os.environ.get(name, "").split(os.pathsep)
    return tuple(Path(part).expanduser() for part in parts if part)


def plugin_files(extra: Sequence[Path] = ()) -> Iterator[tuple[str, Path]]:
    """Format and file of every plug-in file of the standard folders and of `extra` ones."""
    seen: set[Path] = set()
    for format_name in FORMATS:
        for folder in (*extra, *plugin_folders(format_name)):
            for path in _files_of(folder, format_name):
                if path not in seen:
                    seen.add(path)
                    yield format_name, path


def _files_of(folder: Path, format_name: str) -> list[Path]:
    suffix = _SUFFIX[format_name]
    if folder.is_file() or folder.suffix in _SUFFIX.values():
        return [folder.resolve()] if folder.suffix == suffix else []
    pattern = (
        "**/*" if format_name in ("clap", "vst3", "au") else "*"
    )  # the others' folders are flat
    found = folder.glob(f"{pattern}{suffix}") if folder.is_dir() else ()
    is_bundle = format_name in BUNDLE_FORMATS
    return sorted({path.resolve() for path in found if path.is_dir() == is_bundle})
