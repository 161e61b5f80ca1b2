"""The host's side of VST 3: what a plug-in is given and may ask of us while it runs."""

import ctypes
import itertools
from collections.abc import Iterable, Sequence
from ctypes import c_uint16
from io import BytesIO
from typing import Any

from chainweigh.hosts import vst3_abi as abi
from chainweigh.hosts.binary import printable
from chainweigh.hosts.vst3_com import HostObject, iid

_RESTART = abi.RELOAD | abi.IO_CHANGED | abi.LATENCY_CHANGED


def utf16(text: str) -> Any:
    """A text as the interfaces take it, with its end."""
    content = text.encode("utf-16-le") + b"\0\0"
    return (c_uint16 * (len(content) // 2)).from_buffer_copy(content)


def text_of(characters: Iterable[int]) -> str:
    """A text up to its end."""
    units = itertools.takewhile(bool, characters)
    return b"".join(unit.to_bytes(2, "little") for unit in units).decode("utf-16-le", "replace")


def clean_text(characters: Iterable[int]) -> str:
    """A text up to its end, without what a terminal would obey."""
    return printable(text_of(characters).encode())


class Application(HostObject):
    """What a plug-in asks for our name, and for the messages its two halves exchange."""

    table = abi.HostApplication

    def get_name(self, name: Any) -> int:
        """Write our name."""
        name[0][:11] = utf16("chainweigh")
        return abi.OK

    def create_instance(self, class_id: Any, interface: Any, found: Any) -> int:
        """A new, empty message or list of attributes."""
        known = {iid(each.table): each for each in (Message, AttributeList)}
        kind = known.get(bytes(interface[0]))
        found[0] = kind().address if kind else None
        return abi.OK if kind else abi.NO_INTERFACE


class Handler(HostObject):
    """What a controller asks for: a restart, or that the component hears of values it changed.

    Both are for the host to see and clear.
    """

    table = abi.ComponentHandler

    def __init__(self) -> None:
        super().__init__()
        self.wants_restart = False
        self.edits: dict[int, float] = {}

    def begin_edit(self, parameter_id: int) -> int:
        """Several values may follow."""
        return abi.OK

    def perform_edit(self, parameter_id: int, value: float) -> int:
        """Keep a normalised value for the component."""
        self.edits[parameter_id] = value
        return abi.OK

    def end_edit(self, parameter_id: int) -> int:
        """No more follow."""
        return abi.OK

    def restart_component(self, reasons: int) -> int:
        """Note what asks for being deactivated and activated again."""
        self.wants_restart = self.wants_restart or bool(reasons & _RESTART)
        return abi.OK


class AttributeList(HostObject):
    """The content of a message."""

    table = abi.AttributeList

    def __init__(self) -> None:
        super().__init__()
        self._values: dict[bytes, Any] = {}

    def _set(self, key: bytes, value: Any) -> int:
        self._values[key] = value
        return abi.OK

    def _get(self, key: bytes, kind: type, place: Any) -> int:
        if not isinstance(self._values.get(key), kind):
            return abi.FALSE
        place[0] = self._values[key]
        return abi.OK

    set_int = set_float = _set

    def get_int(self, key: bytes, place: Any) -> int:
        """Write a whole number."""
        return self._get(key, int, place)

    def get_float(self, key: bytes, place: Any) -> int:
        """Write a number."""
        return self._get(key, float, place)

    def set_string(self, key: bytes, characters: Any) -> int:
        """Keep a text."""
        return self._set(key, text_of(characters[i] for i in itertools.count()))

    def get_string(self, key: bytes, place: int, n_bytes: int) -> int:
        """Write a text, as much of it as there is room for."""
        if not isinstance(self._values.get(key), str) or n_bytes < 2:
            return abi.FALSE
        content = bytes(utf16(self._values[key]))[: n_bytes // 2 * 2 - 2] + b"\0\0"
        ctypes.memmove(place, content, len(content))
        return abi.OK

    def set_binary(self, key: bytes, data: int, n_bytes: int) -> int:
        """Keep bytes."""
        content = ctypes.string_at(data, n_bytes) if n_bytes else b""
        return self._set(key, ctypes.create_string_buffer(content, max(n_bytes, 1)))

    def get_binary(self, key: bytes, place: Any, n_bytes: Any) -> int:
        """Write where the bytes are and how many; they stay there as long as the list."""
        content = self._values.get(key)
        if not isinstance(content, ctypes.Array):
            return abi.FALSE
        place[0], n_bytes[0] = ctypes.addressof(content), len(content)
        return abi.OK


class Message(HostObject):
    """A message from one half of a plug-in to the other."""

    table = abi.Message

    def __init__(self) -> None:
        super().__init__()
        self._name = ctypes.create_string_buffer(b"")
        self._attributes = AttributeList()

    def get_message_id(self) -> int:
        """Address of its name."""
        return ctypes.addressof(self._name)

    def set_message_id(self, name: bytes | None) -> None:
        """Name it."""
        self._name = ctypes.create_string_buffer(name or b"")

    def get_attributes(self) -> int:
        """Its content, which is the message's own."""
        return self._attributes.address

    def release(self) -> int:
        """One owner fewer; its content goes with the last."""
        n_owners = super().release()
        if n_owners == 0:
            self._attributes.release()
        return n_owners


class Stream(HostObject):
    """Bytes in memory that a plug-in reads its state from or writes it to."""

    table = abi.Stream

    def __init__(self, content: bytes = b"") -> None:
        super().__init__()
        self._bytes = BytesIO(content)

    @property
    def content(self) -> bytes:
        """All of it."""
        return self._bytes.getvalue()

    def read(self, place: int, n_bytes: int, n_read: Any) -> int:
        """Give bytes from where it is."""
        content = self._bytes.read(max(n_bytes, 0))
        ctypes.memmove(place, content, len(content))
        if n_read:
            n_read[0] = len(content)
        return abi.OK

    def write(self, place: int, n_bytes: int, n_written: Any) -> int:
        """Take bytes to where it is."""
        count = self._bytes.write(ctypes.string_at(place, n_bytes)) if n_bytes > 0 else 0
        if n_written:
            n_written[0] = count
        return abi.OK

    def seek(self, position: int, origin: int, now: Any) -> int:
        """Go to a place, from the start, from here or from the end."""
        if origin not in (0, 1, 2):
            return abi.INVALID_ARGUMENT
        base = (0, self._bytes.tell(), len(self.content))[origin]
        self._bytes.seek(max(base + position, 0))
        return self.tell(now) if now else abi.OK

    def tell(self, now: Any) -> int:
        """Say where it is."""
        now[0] = self._bytes.tell()
        return abi.OK


class ParameterQueue(HostObject):
    """The points of one parameter in a block, frame and normalised value."""

    table = abi.ParameterQueue

    def __init__(self, parameter_id: int, points: Sequence[tuple[int, float]] = ()) -> None:
        super().__init__()
        self._id, self._points = parameter_id, list(points)

    def get_parameter_id(self) -> int:
        """Whose it is."""
        return self._id

    def count_points(self) -> int:
        """How many there are."""
        return len(self._points)

    def get_point(self, index: int, frame: Any, value: Any) -> int:
        """Write one."""
        if not 0 <= index < len(self._points):
            return abi.INVALID_ARGUMENT
        frame[0], value[0] = self._points[index]
        return abi.OK

    def add_point(self, frame: int, value: float, index: Any) -> int:
        """Keep one."""
        if index:
            index[0] = len(self._points)
        self._points.append((frame, value))
        return abi.OK


class ParameterChanges(HostObject):
    """What changes in a block: values we set at its start, or what the plug-in tells."""

    table = abi.ParameterChanges

    def __init__(self) -> None:
        super().__init__()
        self._queues: list[ParameterQueue] = []

    def become(self, normalised: dict[int, float]) -> None:
        """Forget what it held for these values, id -> normalised value."""
        for queue in self._queues:
            queue.release()
        self._queues = [ParameterQueue(key, [(0, value)]) for key, value in normalised.items()]

    def count_queues(self) -> int:
        """How many parameters change."""
        return len(self._queues)

    def get_queue(self, index: int) -> int | None:
        """One parameter's points."""
        return self._queues[index].address if 0 <= index < len(self._queues) else None

    def add_queue(self, parameter_id: Any, index: Any) -> int:
        """Room for another parameter's points."""
        if index:
            index[0] = len(self._queues)
        self._queues.append(ParameterQueue(parameter_id[0]))
        return self._queues[-1].address


class NoEvents(HostObject):
    """A list of notes that is empty and stays so."""

    table = abi.EventList

    def count_events(self) -> int:
        """None."""
        return 0

    def get_event(self, index: int, event: int) -> int:
        """There is none."""
        return abi.INVALID_ARGUMENT

    def add_event(self, event: int) -> int:
        """Taken and forgotten."""
        return abi.OK
