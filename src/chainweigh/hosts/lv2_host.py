"""The host's side of LV2: the features a plug-in is given, and the work it puts off."""

import ctypes
import sys
from collections.abc import Callable, Mapping
from ctypes import POINTER, c_char_p, c_float, c_int32, c_void_p, pointer
from typing import Any

from chainweigh.errors import PluginError
from chainweigh.hosts import lv2_abi as abi
from chainweigh.hosts.lv2_turtle import ATOM, CORE, STATE

MAX_BLOCK_FRAMES = 8192
ATOM_PORT_BYTES = 65_536
FIXED = "http://lv2plug.in/ns/ext/buf-size#fixedBlockLength"
WORKER = "http://lv2plug.in/ns/ext/worker#interface"
LOAD_DEFAULT = STATE + "loadDefaultState"
_EXT = "http://lv2plug.in/ns/ext/"
_BUF_SIZE, _PARAMETERS = _EXT + "buf-size#", _EXT + "parameters#"
_WITHOUT_DATA = (
    _BUF_SIZE + "boundedBlockLength",
    _BUF_SIZE + "powerOf2BlockLength",
    FIXED,
    LOAD_DEFAULT,
    STATE + "threadSafeRestore",
    CORE + "hardRTCapable",
    CORE + "inPlaceBroken",
)
_WITH_DATA = tuple(
    _EXT + name
    for name in ("urid#map", "urid#unmap", "options#options", "worker#schedule", "log#log")
)
FEATURES = frozenset((*_WITHOUT_DATA, *_WITH_DATA, STATE + "mapPath", STATE + "freePath"))
OPTION_KEYS = frozenset(
    (
        *(_BUF_SIZE + f"{name}BlockLength" for name in ("min", "max", "nominal")),
        _BUF_SIZE + "sequenceSize",
        _PARAMETERS + "sampleRate",
    )
)


class Urids:
    """Numbers for URIs, from 1, for as long as the process lives."""

    def __init__(self) -> None:
        self._numbers: dict[bytes, int] = {}
        self._texts: list[ctypes.Array[Any]] = []
        self.map = abi.UriMap(None, abi.MapUri(lambda handle, uri: self._number(uri)))
        self.unmap = abi.UriUnmap(None, abi.UnmapUri(self._text))

    def __call__(self, uri: str) -> int:
        """The number of a URI."""
        return self._number(uri.encode())

    def text(self, number: int) -> str:
        """The URI of a number that was given out."""
        return bytes(self._texts[number - 1].value).decode()

    def _number(self, uri: bytes) -> int:
        if uri not in self._numbers:
            self._texts.append(ctypes.create_string_buffer(uri))
            self._numbers[uri] = len(self._texts)
        return self._numbers[uri]

    def _text(self, handle: int, number: int) -> int | None:
        known = 0 < number <= len(self._texts)
        return ctypes.addressof(self._texts[number - 1]) if known else None


class Lv2Host:
    """Features and callbacks of one instance; it must live as long as the instance."""

    def __init__(self, urids: Urids, sample_rate_hz: int, block_frames: tuple[int, int]) -> None:
        self._urids = urids
        self._libc = ctypes.CDLL(None)
        self._libc.strdup.restype, self._libc.strdup.argtypes = c_void_p, [c_char_p]
        self._libc.free.argtypes = [c_void_p]
        self._put_off: list[bytes] = []
        self._answers: list[bytes] = []
        self._respond = abi.Respond(_queued(self._answers))
        same = abi.TranslatePath(lambda handle, path: self._libc.strdup(path))
        self._data = {
            "urid#map": urids.map,
            "urid#unmap": urids.unmap,
            "options#options": self._options(float(sample_rate_hz), *block_frames),
            "worker#schedule": abi.Schedule(None, abi.Respond(_queued(self._put_off))),
            "log#log": abi.Log(None, abi.LogPrint(self._log), abi.LogPrintList(self._log_list)),
            "state#mapPath": abi.MapPath(None, same, same),
            "state#freePath": abi.FreePathFeature(
                None, abi.FreePath(lambda handle, path: self._libc.free(path))
            ),
        }
        self.features = self._feature_list()

    def _options(self, rate: float, least: int, most: int) -> Any:
        values: dict[str, c_float | c_int32] = {
            _PARAMETERS + "sampleRate": c_float(rate),
            _BUF_SIZE + "minBlockLength": c_int32(least),
            _BUF_SIZE + "maxBlockLength": c_int32(most),
            _BUF_SIZE + "nominalBlockLength": c_int32(min(most, 1024)),
            _BUF_SIZE + "sequenceSize": c_int32(ATOM_PORT_BYTES),
        }
        self._option_values = values
        options = (abi.Option * (len(values) + 1))()
        for option, (key, value) in zip(options, values.items(), strict=False):
            kind = "Float" if isinstance(value, c_float) else "Int"
            option.key, option.type = self._urids(key), self._urids(ATOM + kind)
            option.size, option.value = ctypes.sizeof(value), ctypes.addressof(value)
        return options

    def _feature_list(self) -> Any:
        given: list[tuple[str, int | None]] = [(uri, None) for uri in _WITHOUT_DATA]
        given += [(_EXT + name, ctypes.addressof(data)) for name, data in self._data.items()]
        features = [abi.Feature(uri.encode(), data) for uri, data in given]
        return (POINTER(abi.Feature) * (len(features) + 1))(*map(pointer, features))

    def _log(self, handle: int, kind: int, text: bytes | None) -> int:
        print((text or b"").decode("utf-8", "replace"), end="", file=sys.stderr, flush=True)
        return 0

    def _log_list(self, handle: int, kind: int, text: bytes, arguments: int) -> int:
        return int(self._libc.vdprintf(2, c_char_p(text), c_void_p(arguments)))

    def work(self, worker: Any, instance: int) -> None:
        """Do what the last run put off, and hand over the answers."""
        put_off = self._put_off.copy()
        self._put_off.clear()
        for message in put_off:
            worker.work(instance, self._respond, None, len(message), message)
        answers = self._answers.copy()
        self._answers.clear()
        for message in answers:
            worker.work_response(instance, len(message), message)
        if worker.end_run:
            worker.end_run(instance)

    def save(self, state: Any, instance: int) -> dict[str, tuple[str, bytes]]:
        """What a plug-in keeps, URI -> atom type and body.

        Raises
        ------
        PluginError
            It refuses.
        """
        kept: dict[str, tuple[str, bytes]] = {}

        def store(handle: int, key: int, value: int, size: int, kind: int, flags: int) -> int:
            kept[self._urids.text(key)] = self._urids.text(kind), ctypes.string_at(value, size)
            return abi.OK

        status = state.save(instance, abi.Store(store), None, 0, self.features)
        if status != abi.OK:
            raise PluginError(f"it refuses to save its state (status {status})")
        return kept

    def restore(self, state: Any, instance: int, values: Mapping[str, tuple[str, bytes]]) -> int:
        """Hand a state, URI -> atom type and body, to a plug-in; its status."""
        kept = {
            self._urids(key): (
                self._urids(kind),
                ctypes.create_string_buffer(content, len(content)),
            )
            for key, (kind, content) in values.items()
        }

        def retrieve(handle: int, key: int, size: Any, kind: Any, flags: Any) -> int | None:
            if key not in kept:
                return None
            atom_type, content = kept[key]
            size[0], kind[0] = ctypes.sizeof(content), atom_type
            flags[0] = abi.STATE_IS_POD | abi.STATE_IS_PORTABLE
            return ctypes.addressof(content)

        return int(state.restore(instance, abi.Retrieve(retrieve), None, 0, self.features))


def _queued(queue: list[bytes]) -> Callable[[int, int, int], int]:
    def keep(handle: int, size: int, data: int | None) -> int:
        queue.append(ctypes.string_at(data, size) if data else b"")
        return abi.OK

    return keep
