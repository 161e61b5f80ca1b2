"""Preset files of VST 3: which plug-in they are of, and the states of its two halves.

References
----------
VST 3.7 documentation, "Preset Format": a header, chunks of data, and at the end the list of them.
"""

import struct
from dataclasses import dataclass

from chainweigh.errors import PluginError
from chainweigh.hosts.records import PluginRecord

_HEADER = struct.Struct("<4si32sq")  # VST3, version, class id, offset of the list
_LIST = struct.Struct("<4si")  # List, number of entries
_ENTRY = struct.Struct("<4sqq")  # chunk, offset, size
_COMPONENT, _CONTROLLER = b"Comp", b"Cont"


@dataclass(frozen=True)
class Preset:
    """What a preset holds. `class_id` is in upper-case hexadecimal digits."""

    class_id: str
    component: bytes
    controller: bytes | None


def read_preset(content: bytes, name: str) -> Preset:
    """The preset of a file's content.

    Parameters
    ----------
    name : of the file, for messages

    Raises
    ------
    PluginError
        It is no VST 3 preset, is cut off, or holds no state.
    """
    if content[:4] != b"VST3":
        raise PluginError(f"{name}: is no VST3 preset: it does not start with VST3")
    try:
        _, _, class_id, list_at = _HEADER.unpack_from(content)
        chunks = dict(_chunks(content, list_at))
    except (struct.error, ValueError) as error:
        raise PluginError(f"{name}: is no whole VST3 preset: it is cut off") from error
    if _COMPONENT not in chunks:
        raise PluginError(f"{name}: holds no state of a plug-in")
    found = class_id.decode("ascii", "replace").upper()
    return Preset(found, chunks[_COMPONENT], chunks.get(_CONTROLLER))


def preset_for(record: PluginRecord, content: bytes, name: str) -> Preset:
    """The preset of a file's content, for a plug-in.

    Raises
    ------
    PluginError
        It is none, or one of another plug-in.
    """
    preset = read_preset(content, name)
    if preset.class_id != record.id:
        raise PluginError(
            f"{name}: is a preset of another plug-in ({preset.class_id}), "
            f"not of {record.name} ({record.id})"
        )
    return preset


def _chunks(content: bytes, list_at: int) -> list[tuple[bytes, bytes]]:
    mark, n_entries = _LIST.unpack_from(content, list_at)
    if mark != b"List":
        raise ValueError("no list of chunks")
    found = []
    for number in range(n_entries):
        kind, start, size = _ENTRY.unpack_from(content, list_at + _LIST.size + number * _ENTRY.size)
        if not 0 <= start <= start + size <= len(content):
            raise ValueError("a chunk lies outside the file")
        found.append((kind, content[start : start + size]))
    return found


def preset_bytes(preset: Preset) -> bytes:
    """A preset as a file's content."""
    chunks = [(_COMPONENT, preset.component)]
    if preset.controller is not None:
        chunks.append((_CONTROLLER, preset.controller))
    data, entries = b"", b""
    for kind, content in chunks:
        entries += _ENTRY.pack(kind, _HEADER.size + len(data), len(content))
        data += content
    header = _HEADER.pack(b"VST3", 1, preset.class_id.encode(), _HEADER.size + len(data))
    return header + data + _LIST.pack(b"List", len(chunks)) + entries
