"""The host's side of CLAP: what a plug-in may ask of us while it runs."""

import ctypes
import sys
from ctypes import c_char_p, c_void_p, pointer

from chainweigh.hosts import clap_abi as abi


class ClapHost:
    """Host callbacks of one instance; it must live as long as the instance.

    One thread plays both roles of the standard in turn: `in_audio_call` says which it is in now.
    """

    def __init__(self) -> None:
        self.in_audio_call = False
        self.wants_restart = False
        self.wants_callback = False
        threads = abi.HostThreadCheck(
            abi.HostQuestion(lambda host: not self.in_audio_call),
            abi.HostQuestion(lambda host: self.in_audio_call),
        )
        self._extensions: dict[bytes, ctypes.Structure] = {
            abi.THREAD_CHECK: threads,
            abi.LOG: abi.HostLogging(abi.HostLog(_log)),
            **_told_and_asked_anew(),
        }
        self.struct = abi.Host(
            abi.Version(1, 2, 0),
            None,
            b"chainweigh",
            b"chainweigh",
            b"",
            b"1",
            abi.HostExtension(self._extension),
            abi.HostCall(self._restart),
            abi.HostCall(lambda host: None),
            abi.HostCall(self._callback),
        )

    @property
    def address(self) -> int:
        """Address of the structure a plug-in is created with."""
        return ctypes.addressof(self.struct)

    def _extension(self, host: int, name: bytes) -> int | None:
        found = self._extensions.get(name)
        return None if found is None else ctypes.addressof(found)

    def _restart(self, host: int) -> None:
        self.wants_restart = True

    def _callback(self, host: int) -> None:
        self.wants_callback = True


def _told_and_asked_anew() -> dict[bytes, ctypes.Structure]:
    """What may be told at any time; we ask when we need to know. Many call these unseen."""
    change = abi.HostChange(abi.HostCall(lambda host: None))
    params = abi.HostParams(
        abi.HostFlags(lambda host, flags: None),
        abi.HostClear(lambda host, parameter_id, flags: None),
        abi.HostCall(lambda host: None),  # the next block flushes
    )
    ports = abi.HostAudioPorts(
        abi.HostFlagQuestion(lambda host, flag: False), abi.HostFlags(lambda host, flags: None)
    )
    changes = dict.fromkeys((abi.LATENCY, abi.TAIL, abi.STATE), change)
    return {**changes, abi.PARAMS: params, abi.AUDIO_PORTS: ports}


def _log(host: int, severity: int, text: bytes | None) -> None:
    print((text or b"").decode("utf-8", "replace"), file=sys.stderr)


class ParameterEvents:
    """A list of parameter changes at the first frame, and a sink for what the plug-in sends."""

    def __init__(self, plain: dict[int, float] | None = None) -> None:
        self._events = [_event(key, value) for key, value in (plain or {}).items()]
        self._input = abi.InputEvents(
            None,
            abi.EventCount(lambda events: len(self._events)),
            abi.EventAt(lambda events, index: ctypes.addressof(self._events[index])),
        )
        self._output = abi.OutputEvents(None, abi.EventPush(lambda events, event: True))
        self.input, self.output = pointer(self._input), pointer(self._output)


def _event(parameter_id: int, value: float) -> abi.ParamValueEvent:
    header = abi.EventHeader(ctypes.sizeof(abi.ParamValueEvent), 0, 0, abi.PARAM_VALUE_EVENT, 0)
    return abi.ParamValueEvent(header, parameter_id, None, -1, -1, -1, -1, value)


def saved_state(state: abi.State, address: int) -> bytes | None:
    """What a plug-in writes as its state; None where it refuses."""
    written = bytearray()

    def write(stream: int, content: int, size: int) -> int:
        written.extend(ctypes.string_at(content, size))
        return size

    stream = abi.Stream(None, abi.StreamCall(write))
    return bytes(written) if state.save(address, pointer(stream)) else None


def load_state(state: abi.State, address: int, saved: bytes) -> bool:
    """Give a plug-in a state to read; whether it takes it."""
    done = 0

    def read(stream: int, room: int, size: int) -> int:
        nonlocal done
        part = saved[done : done + size]
        ctypes.memmove(room, part, len(part))
        done += len(part)
        return len(part)

    stream = abi.Stream(None, abi.StreamCall(read))
    return bool(state.load(address, pointer(stream)))


def extension(
    plugin: abi.Plugin, name: bytes, kind: type[ctypes.Structure]
) -> ctypes.Structure | None:
    """A plug-in's extension, None where it has none."""
    address = plugin.get_extension(ctypes.addressof(plugin), c_char_p(name))
    return kind.from_address(c_void_p(address).value or 0) if address else None
