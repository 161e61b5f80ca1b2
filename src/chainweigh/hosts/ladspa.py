"""LADSPA, by its C interface version 1.1: control ports are parameters, keyed by port index.

References
----------
R. Furse and S. Westerfeld, "ladspa.h", LADSPA 1.1 (2000), and the hint defaults it defines.
"""

import ctypes
import math
import re
from collections.abc import Mapping
from ctypes import POINTER, c_char_p, c_float, c_int, c_ulong, c_void_p
from pathlib import Path
from typing import Any

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.errors import PluginError
from chainweigh.hosts.binary import missing_symbol, open_library, printable
from chainweigh.hosts.lifecycle import Instance, Library
from chainweigh.hosts.records import (
    RATE_SCALED,
    SWITCH,
    PluginParameter,
    PluginRecord,
    audio_refusal,
)

INPUT, OUTPUT, CONTROL, AUDIO = 1, 2, 4, 8
BELOW, ABOVE, TOGGLED, RATE, LOGARITHMIC, INTEGER, DEFAULT_MASK = 1, 2, 4, 8, 16, 32, 0x3C0
_LOW, _MIDDLE, _HIGH = 0x080, 0x0C0, 0x100
ON, _AT_LOW, _AT_HIGH = 0x240, 0x040, 0x140
_FIXED = {0x200: 0.0, ON: 1.0, 0x280: 100.0, 0x2C0: 440.0}
_UPPER_SHARE = {_LOW: 0.25, _MIDDLE: 0.5, _HIGH: 0.75}
LATENCY_NAMES = ("latency", "_latency")
_UNIT = re.compile(r"[\(\[]\s*(dB|Hz|kHz|ms|s|%|oct|st|samples)\s*[\)\]]\s*$", re.IGNORECASE)

_Handle = c_void_p


class _Hint(ctypes.Structure):
    _fields_ = [("hints", c_int), ("lower", c_float), ("upper", c_float)]


class _Descriptor(ctypes.Structure):
    _fields_ = [
        ("unique_id", c_ulong),
        ("label", c_char_p),
        ("properties", c_int),
        ("name", c_char_p),
        ("maker", c_char_p),
        ("copyright", c_char_p),
        ("n_ports", c_ulong),
        ("ports", POINTER(c_int)),
        ("port_names", POINTER(c_char_p)),
        ("hints", POINTER(_Hint)),
        ("data", c_void_p),
        ("instantiate", ctypes.CFUNCTYPE(_Handle, c_void_p, c_ulong)),
        ("connect_port", ctypes.CFUNCTYPE(None, _Handle, c_ulong, c_void_p)),
        ("activate", ctypes.CFUNCTYPE(None, _Handle)),
        ("run", ctypes.CFUNCTYPE(None, _Handle, c_ulong)),
        ("run_adding", c_void_p),
        ("set_run_adding_gain", c_void_p),
        ("deactivate", ctypes.CFUNCTYPE(None, _Handle)),
        ("cleanup", ctypes.CFUNCTYPE(None, _Handle)),
    ]


def _ports(descriptor: Any, wanted: int) -> list[int]:
    kinds = descriptor.ports
    return [i for i in range(descriptor.n_ports) if kinds[i] & wanted == wanted]


def _default(hints: int, low: float | None, high: float | None) -> float | None:
    kind = hints & DEFAULT_MASK
    if kind in _FIXED:
        return _FIXED[kind]
    if kind == _AT_LOW:
        return low
    if kind == _AT_HIGH:
        return high
    if kind not in _UPPER_SHARE or low is None or high is None:
        return None
    share = _UPPER_SHARE[kind]
    if hints & LOGARITHMIC and low > 0 and high > 0:
        return math.exp(math.log(low) * (1 - share) + math.log(high) * share)
    return low * (1 - share) + high * share


def _short(value: float) -> float:
    """A single-precision bound as its author wrote it: 0.1, not 0.100000001."""
    return float(f"{value:.7g}")


def _parameter(descriptor: Any, port: int, sample_rate_hz: int) -> PluginParameter:
    name, hint = printable(descriptor.port_names[port]), descriptor.hints[port]
    hints = int(hint.hints)
    if hints & TOGGLED:
        start = 1.0 if hints & DEFAULT_MASK == ON else 0.0
        return PluginParameter(port, name, "", 0.0, 1.0, start, 1, ("off", "on"), (SWITCH,))
    scale = sample_rate_hz if hints & RATE else 1
    low = _short(hint.lower) * scale if hints & BELOW else None
    high = _short(hint.upper) * scale if hints & ABOVE else None
    default = _default(hints, low, high)
    steps = None
    if hints & INTEGER:
        default = None if default is None else float(round(default))
        steps = round(high - low) if low is not None and high is not None else None
    unit = _UNIT.search(name)
    flags = (RATE_SCALED,) if hints & RATE else ()
    return PluginParameter(
        port, name, unit[1] if unit else "", low, high, default, steps, (), flags
    )


def _record(descriptor: Any, sample_rate_hz: int) -> PluginRecord:
    n_in, n_out = (len(_ports(descriptor, AUDIO | way)) for way in (INPUT, OUTPUT))
    parameters = tuple(
        _parameter(descriptor, port, sample_rate_hz) for port in _ports(descriptor, CONTROL | INPUT)
    )
    return PluginRecord(
        format="ladspa",
        id=printable(descriptor.label),
        name=printable(descriptor.name),
        vendor=printable(descriptor.maker),
        version="",
        n_inputs=n_in,
        n_outputs=n_out,
        parameters=parameters,
        refusal=audio_refusal(n_in, n_out),
    )


class LadspaLibrary(Library):
    """A LADSPA file."""

    def __init__(self, path: Path, sample_rate_hz: int = 48_000) -> None:
        self.path = path
        self._dll = open_library(path)
        try:
            find = self._dll.ladspa_descriptor
        except AttributeError as error:
            raise missing_symbol(path, "ladspa_descriptor", "LADSPA") from error
        find.argtypes, find.restype = [c_ulong], POINTER(_Descriptor)
        self._descriptors: dict[str, Any] = {}
        for index in range(10_000):
            found = find(index)
            if not found:
                break
            self._descriptors.setdefault(printable(found.contents.label), found)
        if not self._descriptors:
            raise PluginError(f"{path}: holds no plug-in")
        self.records = tuple(
            _record(found.contents, sample_rate_hz) for found in self._descriptors.values()
        )

    def create(self, plugin_id: str, sample_rate_hz: int) -> Instance:
        """A new instance."""
        found = self._descriptors[plugin_id]
        return _LadspaInstance(found, _record(found.contents, sample_rate_hz), sample_rate_hz)


class _LadspaInstance(Instance):
    def __init__(self, pointer: Any, record: PluginRecord, sample_rate_hz: int) -> None:
        super().__init__(record, sample_rate_hz)
        self._descriptor = pointer.contents
        self._handle = self._descriptor.instantiate(pointer, sample_rate_hz)
        if not self._handle:
            raise PluginError(f"{record.id}: refuses {sample_rate_hz} Hz: no instance was created")
        self._controls = np.zeros(self._descriptor.n_ports, dtype=np.float32)
        for parameter in record.parameters:
            self._controls[parameter.id] = _start(parameter)
        for port in _ports(self._descriptor, CONTROL):
            self._connect(port, self._controls[port:].ctypes.data)

    def _connect(self, port: int, address: int) -> None:
        self._descriptor.connect_port(self._handle, port, address)

    def plain_of_text(self, parameter: PluginParameter, text: str) -> float | None:
        """None: the format knows no texts beyond choices and units."""
        return None

    def actual(self, parameter: PluginParameter) -> float:
        """Value of the control port, single precision."""
        return float(self._controls[parameter.id])

    def displayed(self, parameter: PluginParameter, plain: float) -> str:
        """Choice, or number with the unit the port's name states."""
        if parameter.choices:
            return parameter.choices[int(plain > 0)]
        return f"{plain:.6g} {parameter.unit}".rstrip()

    def _set_values(self, plain: Mapping[int, float]) -> None:
        for port, value in plain.items():
            self._controls[port] = value

    def _activate(self, block_frames: int) -> None:
        shape = (self.record.n_inputs, block_frames)
        self._input, self._output = (np.zeros(shape, dtype=np.float32) for _ in range(2))
        for way, buffer in ((INPUT, self._input), (OUTPUT, self._output)):
            for channel, port in enumerate(_ports(self._descriptor, AUDIO | way)):
                self._connect(port, buffer[channel].ctypes.data)
        if self._descriptor.activate:  # the format allows it to be null, and deactivate too
            self._descriptor.activate(self._handle)

    def _process(self, block: Samples) -> Samples:
        self._input[:] = block
        self._descriptor.run(self._handle, block.shape[1])
        return self._output

    def _latency_frames(self) -> int:
        names = self._descriptor.port_names
        for port in _ports(self._descriptor, CONTROL | OUTPUT):
            if printable(names[port]) in LATENCY_NAMES:
                reported = float(self._controls[port])
                return round(reported) if math.isfinite(reported) else -1
        return 0

    def _tail_frames(self) -> int | None:
        return None

    def _deactivate(self) -> None:
        if self._descriptor.deactivate:
            self._descriptor.deactivate(self._handle)

    def _destroy(self) -> None:
        self._descriptor.cleanup(self._handle)


def _start(parameter: PluginParameter) -> float:
    """A parameter's default; without one its bound nearest to zero, or zero."""
    if parameter.default is not None:
        return parameter.default
    low = -math.inf if parameter.minimum is None else parameter.minimum
    high = math.inf if parameter.maximum is None else parameter.maximum
    return min(max(0.0, low), high)
