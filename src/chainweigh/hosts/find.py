"""From what a chain file writes, FORMAT:ID, a path or path#ID, to the plug-in it means."""

import difflib
from collections.abc import Iterable
from pathlib import Path

from chainweigh.errors import PluginError
from chainweigh.hosts.binary import check_system, format_of
from chainweigh.hosts.places import FORMATS, plugin_files
from chainweigh.hosts.plugin import Plugin
from chainweigh.hosts.records import PluginRecord
from chainweigh.hosts.scan import Scan, ScannedFile


def find_plugin(written: str, folder: Path, scan: Scan) -> Plugin:
    """The plug-in a chain file names.

    Parameters
    ----------
    written : `FORMAT:ID`, a path, or `path#ID` where a file holds several
    folder : what a relative path is relative to

    Returns
    -------
    The plug-in; one that crashes or hangs when it is loaded carries that as its `fault`.

    Raises
    ------
    PluginError
        Not found (the closest are listed), not unique, or not usable as an effect.
    """
    format_name, colon, plugin_id = written.partition(":")
    if colon and format_name in FORMATS:
        check_system(format_name, written)
        return _usable(_by_id(format_name, plugin_id, scan))
    if colon and not {"/", "#"} & set(format_name):
        raise PluginError(f'"{written}": unknown format "{format_name}"; use {_formats()}')
    name, _, plugin_id = written.partition("#")
    path = (folder / Path(name).expanduser()).resolve()
    return _usable(_in_file(scan.describe(format_of(path), path), plugin_id, scan))


def _formats() -> str:
    return " or ".join(FORMATS)


def _in_file(file: ScannedFile, plugin_id: str, scan: Scan) -> Plugin:
    scan.keep()
    if file.refusal is not None:
        raise PluginError(file.refusal)
    if file.fault is not None:
        bare = PluginRecord(file.format, plugin_id or file.path.name, file.path.name, "", "", 0, 0)
        return Plugin(file.path, file.digest, bare, file.fault)
    ids = [record.id for record in file.records]
    if not ids:
        raise PluginError(f"{file.path}: holds no plug-in")
    if not plugin_id and len(ids) > 1:
        each = ", ".join(f"{r.id} ({r.name})" for r in file.records if r.refusal is None)
        raise PluginError(
            f"{file.path}: holds {len(ids)} plug-ins; write {file.path.name}#ID with one of "
            f"{each or ', '.join(ids)}"
        )
    for record in file.records:
        if plugin_id in ("", record.id):
            return Plugin(file.path, file.digest, record)
    raise PluginError(f'{file.path}: holds no plug-in "{plugin_id}"; {_near(plugin_id, ids)}')


def _by_id(format_name: str, plugin_id: str, scan: Scan) -> Plugin:
    found = _known(format_name, plugin_id, scan.files())
    if not found:
        files = [(name, path) for name, path in plugin_files() if name == format_name]
        scan.describe_all(files)
        found = _known(format_name, plugin_id, scan.files())
    if len(found) > 1 and len({plugin.digest for plugin in found}) > 1:
        paths = " or ".join(f'"{plugin.path}#{plugin_id}"' for plugin in found)
        raise PluginError(f"{format_name}:{plugin_id} is in {len(found)} files; write {paths}")
    if found:
        return found[0]
    files_of_format = [file for file in scan.files() if file.format == format_name]
    known = sorted(record.id for file in files_of_format for record in file.records)
    raise PluginError(
        f'no {format_name.upper()} plug-in "{plugin_id}"; {_unread(files_of_format)}'
        f"{_near(plugin_id, known)}"
    )


def _unread(files: Iterable[ScannedFile]) -> str:
    """The files that may hold it, but could not be loaded."""
    names = [file.path.name for file in files if file.fault or file.refusal]
    if not names:
        return ""
    return f"{', '.join(names)} could not be loaded (`chainweigh plugins scan` says why); "


def _known(format_name: str, plugin_id: str, files: Iterable[ScannedFile]) -> list[Plugin]:
    return [
        Plugin(file.path, file.digest, record)
        for file in files
        for record in file.records
        if file.format == format_name and record.id == plugin_id
    ]


def _near(plugin_id: str, known: list[str]) -> str:
    if not known:
        return "none was found; `chainweigh plugins scan` says where it looked"
    close = difflib.get_close_matches(plugin_id, known, n=3, cutoff=0.4)
    return f"did you mean {', '.join(close)}?" if close else f"{len(known)} others are known"


def _usable(plugin: Plugin) -> Plugin:
    if plugin.record.refusal is not None:
        raise PluginError(f"{plugin.reference} ({plugin.path}): {plugin.record.refusal}")
    return plugin
