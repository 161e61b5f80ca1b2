"""Atoms: a property's value as bytes, messages that set or ask for it, and what comes back.

References
----------
LV2 1.18 specification: atom (an atom is size, type and body; inside others padded to 8 bytes),
patch.
"""

import struct
from collections.abc import Callable, Iterator
from typing import Any

from chainweigh.hosts.lv2_turtle import ATOM, PATCH

Urid = Callable[[str], int]
NUMBERS = {"Int": "=i", "Long": "=q", "Float": "=f", "Double": "=d", "Bool": "=i"}
_WHOLE = ("Int", "Long", "Bool")
_HEADER, _EVENT = struct.Struct("=II"), struct.Struct("=qII")


def is_number(atom_type: str) -> bool:
    """Whether a value of that type is a number or a switch."""
    return atom_type.removeprefix(ATOM) in NUMBERS


def is_whole(atom_type: str) -> bool:
    """Whether a value of that type has no fraction."""
    return atom_type.removeprefix(ATOM) in _WHOLE


def body(atom_type: str, value: Any) -> bytes:
    """A value as the body of an atom of that type."""
    name = atom_type.removeprefix(ATOM)
    if name in NUMBERS:
        return struct.pack(NUMBERS[name], int(value) if name in _WHOLE else float(value))
    return value if isinstance(value, bytes) else str(value).encode() + b"\0"


def set_message(urid: Urid, key: str, atom_type: str, value: float) -> bytes:
    """A patch:Set of a property."""
    return _object(
        urid,
        PATCH + "Set",
        ((PATCH + "property", ATOM + "URID", struct.pack("=I", urid(key))),
         (PATCH + "value", atom_type, body(atom_type, value))),
    )  # fmt: skip


def get_message(urid: Urid, key: str) -> bytes:
    """A patch:Get of a property."""
    return _object(
        urid,
        PATCH + "Get",
        ((PATCH + "property", ATOM + "URID", struct.pack("=I", urid(key))),),
    )


def _object(urid: Urid, kind: str, properties: tuple[tuple[str, str, bytes], ...]) -> bytes:
    parts = [_HEADER.pack(0, urid(kind))]
    for key, atom_type, content in properties:
        parts += [_HEADER.pack(urid(key), 0), _HEADER.pack(len(content), urid(atom_type))]
        parts.append(_padded(content))
    whole = b"".join(parts)
    return _HEADER.pack(len(whole), urid(ATOM + "Object")) + whole


def sequence(urid: Urid, messages: list[bytes]) -> bytes:
    """Messages at the first frame, as the content of an atom port."""
    events = b"".join(struct.pack("=q", 0) + _padded(message) for message in messages)
    whole = _HEADER.pack(0, 0) + events
    return _HEADER.pack(len(whole), urid(ATOM + "Sequence")) + whole


def _padded(content: bytes) -> bytes:
    return content + bytes(-len(content) % 8)


def told_numbers(urid: Urid, content: bytes) -> dict[int, float]:
    """Property URID -> number, of every patch:Set and patch:Put a plug-in wrote to an atom port.

    A message cut short tells nothing, and neither does what follows it.
    """
    told: dict[int, float] = {}
    size, kind = _HEADER.unpack_from(content)
    if kind != urid(ATOM + "Sequence"):
        return told
    at, end = 16, min(8 + size, len(content))
    while at + _EVENT.size <= end:
        _, n_bytes, kind = _EVENT.unpack_from(content, at)
        if kind == urid(ATOM + "Object"):
            try:
                told |= _numbers_of(urid, content[at + 16 : at + 16 + n_bytes])
            except struct.error:
                break
        at += _EVENT.size + n_bytes + -n_bytes % 8
    return told


def _numbers_of(urid: Urid, message: bytes) -> dict[int, float]:
    found = {key: (kind, content) for key, kind, content in _properties(message)}
    message_kind = _HEADER.unpack_from(message)[1]
    if message_kind == urid(PATCH + "Set") and urid(PATCH + "property") in found:
        name = found[urid(PATCH + "property")][1]
        value = found.get(urid(PATCH + "value"))
        told = {struct.unpack_from("=I", name)[0]: value} if value else {}
    elif message_kind == urid(PATCH + "Put") and urid(PATCH + "body") in found:
        told = {key: (kind, c) for key, kind, c in _properties(found[urid(PATCH + "body")][1])}
    else:
        return {}
    types = {urid(ATOM + name): layout for name, layout in NUMBERS.items()}
    return {
        key: float(struct.unpack_from(types[kind], content)[0])
        for key, (kind, content) in told.items()
        if kind in types
    }


def _properties(whole: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Key, type and body of each property of an object's body."""
    at = 8
    while at + 16 <= len(whole):
        key, _, size, kind = struct.unpack_from("=IIII", whole, at)
        yield key, kind, whole[at + 16 : at + 16 + size]
        at += 16 + size + -size % 8
