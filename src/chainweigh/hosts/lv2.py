"""LV2: described by its bundle's Turtle, run through its C interface.

Parameters are the control inputs, by port index, and behind them the writable properties that hold
numbers, in the order of their URIs; those are set by messages to an atom port.

References
----------
LV2 1.18 specification: lv2core, atom, patch, worker, state, options, buf-size, urid.
"""

import ctypes
import itertools
import struct
from collections.abc import Mapping
from ctypes import POINTER, c_uint32
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.errors import PluginError
from chainweigh.hosts import lv2_abi as abi
from chainweigh.hosts import lv2_atoms as atoms
from chainweigh.hosts.binary import check_binary, missing_symbol, open_library
from chainweigh.hosts.lifecycle import Instance, Library
from chainweigh.hosts.lv2_host import (
    ATOM_PORT_BYTES,
    FIXED,
    LOAD_DEFAULT,
    MAX_BLOCK_FRAMES,
    WORKER,
    Lv2Host,
    Urids,
)
from chainweigh.hosts.lv2_presets import chosen_preset
from chainweigh.hosts.lv2_record import (
    FREE_WHEELING,
    lv2_record,
    main_audio,
    patch_port,
    preset_id,
    settable,
)
from chainweigh.hosts.lv2_turtle import (
    ATOM,
    CORE,
    STATE,
    Description,
    Port,
    Preset,
    Quantity,
    read_bundle,
)
from chainweigh.hosts.playing import BLOCK_FRAMES
from chainweigh.hosts.ported import PortedInstance
from chainweigh.hosts.records import POINTS, PluginParameter, PluginRecord
from chainweigh.hosts.values import quantity


class Lv2Library(Library):
    """An LV2 bundle; none of its code runs until an instance is created."""

    def __init__(self, path: Path, sample_rate_hz: int = 48_000) -> None:
        self.path = path
        self._described = {found.uri: found for found in read_bundle(path)}
        for binary in sorted({found.binary for found in self._described.values()}):
            check_binary(binary)
        self.records = tuple(lv2_record(d, sample_rate_hz) for d in self._described.values())
        self._urids = Urids()
        self._opened: dict[Path, ctypes.CDLL] = {}

    def create(self, plugin_id: str, sample_rate_hz: int) -> Instance:
        """A new instance."""
        described = self._described[plugin_id]
        record = lv2_record(described, sample_rate_hz)
        found = self._descriptor(described)
        return _Lv2Instance(described, found, record, self._urids, sample_rate_hz)

    def _descriptor(self, described: Description) -> Any:
        binary = described.binary
        if binary not in self._opened:
            self._opened[binary] = open_library(binary)
        try:
            find = self._opened[binary].lv2_descriptor
        except AttributeError as error:
            raise missing_symbol(binary, "lv2_descriptor", "LV2") from error
        find.argtypes, find.restype = [c_uint32], POINTER(abi.Descriptor)
        known = itertools.takewhile(bool, map(find, itertools.count()))
        uri = described.uri.encode()
        found = next((each for each in known if each.contents.uri == uri), None)
        if found is None:
            raise PluginError(f"{binary}: does not hold {described.uri}, as its bundle says")
        return found


class _Lv2Instance(PortedInstance):
    def __init__(
        self,
        described: Description,
        found: Any,
        record: PluginRecord,
        urids: Urids,
        sample_rate_hz: int,
    ) -> None:
        self._described, self._urids = described, urids
        self._block_bounds = (1, MAX_BLOCK_FRAMES)
        if FIXED in described.required | described.optional:
            self._block_bounds = (BLOCK_FRAMES, BLOCK_FRAMES)
        self._host = Lv2Host(urids, sample_rate_hz, self._block_bounds)
        handle = found.contents.instantiate(
            found, sample_rate_hz, f"{described.bundle}/".encode(), self._host.features
        )
        super().__init__(record, sample_rate_hz, found.contents, handle, len(described.ports))
        self._worker = self._interface(WORKER, abi.Worker)
        self._properties = dict(enumerate(settable(described), start=len(described.ports)))
        self._patch = patch_port(described)
        self._spare: dict[str, Samples] = {}
        self._asked: dict[int, float] = {}
        self._told: dict[int, float] = {}
        self._preset_id, self._preset = preset_id(described), 0.0
        self._connect_all()
        self._load_default_state()

    def _interface(self, uri: str, kind: type[ctypes.Structure]) -> Any:
        known = self._descriptor.extension_data
        address = known(uri.encode()) if known else None
        return kind.from_address(address) if address else None

    def _connect_all(self) -> None:
        """Give every port but the audio ones its memory; that of a kind unknown stays without."""
        ports = self._described.ports
        self._atoms: dict[Port, NDArray[np.uint8]] = {}
        for port in ports:
            if port.is_a("ControlPort"):
                if port.designation == FREE_WHEELING:
                    self._controls[port.index] = 1.0
                self._connect(port.index, self._controls[port.index :])
            elif ATOM + "AtomPort" in port.kinds:
                n_words = -(-max(ATOM_PORT_BYTES, port.least_bytes) // 8)
                self._atoms[port] = np.zeros(n_words, dtype=np.int64).view(np.uint8)
                self._connect(port.index, self._atoms[port])
            elif port.optional:
                self._descriptor.connect_port(self._handle, port.index, None)

    def _load_default_state(self) -> None:
        if LOAD_DEFAULT in self._described.required | self._described.optional:
            self._restore(self._described.default_state, "its own default state")

    def _restore(self, values: Mapping[str, tuple[str, Any]], name: str) -> None:
        state = self._interface(STATE + "interface", abi.StateInterface)
        if not (state and values):
            return
        bodies = {key: (kind, atoms.body(kind, value)) for key, (kind, value) in values.items()}
        self._restore_bodies(state, bodies, name)

    def _restore_bodies(
        self, state: Any, bodies: Mapping[str, tuple[str, bytes]], name: str
    ) -> None:
        status = self._host.restore(state, self._handle, bodies)
        if status != abi.OK:
            raise PluginError(f"{self.record.id}: refuses {name} (status {status})")
        if self._worker:
            self._host.work(self._worker, self._handle)

    def _saved_state(self) -> bytes:
        state = self._interface(STATE + "interface", abi.StateInterface)
        kept = self._host.save(state, self._handle) if state else {}
        ports = range(len(self._controls))
        controls = {p.id: self._controls[p.id] for p in self.record.parameters if p.id in ports}
        return msgspec.json.encode((controls, kept), enc_hook=float)

    def _restore_state(self, saved: bytes) -> None:
        controls, kept = msgspec.json.decode(
            saved, type=tuple[dict[int, float], dict[str, tuple[str, bytes]]]
        )
        for port, value in controls.items():
            self._controls[port] = value
        state = self._interface(STATE + "interface", abi.StateInterface)
        if state:
            self._restore_bodies(state, kept, "its own state")

    def plain_of_text(self, parameter: PluginParameter, text: str) -> float | None:
        """Value of the scale point of that name; choices are known without the plug-in."""
        if parameter.choices:
            return None
        wanted = text.strip().casefold()
        named = (v for v, label in self._points(parameter) if label.casefold() == wanted)
        return next(named, None)

    def _points(self, parameter: PluginParameter) -> tuple[tuple[float, str], ...]:
        return self._quantity(parameter).points

    def _quantity(self, parameter: PluginParameter) -> Quantity:
        if parameter.id in self._properties:
            return self._described.properties[self._properties[parameter.id]]
        return self._described.ports[parameter.id].quantity

    def actual(self, parameter: PluginParameter) -> float:
        """Value of the control port, or the property as the plug-in tells it; the preset loaded."""
        if parameter.id == self._preset_id:
            return self._preset
        if parameter.id not in self._properties:
            return float(self._controls[parameter.id])
        if parameter.id in self._told:
            return self._told[parameter.id]
        return self._as_sent(parameter.id)

    def _as_sent(self, key: int) -> float:
        """A property asked for, in the resolution of its type."""
        layout = atoms.NUMBERS[self._atom_type(key).removeprefix(ATOM)]
        content = atoms.body(self._atom_type(key), self._asked[key])
        return float(struct.unpack(layout, content)[0])

    def _atom_type(self, key: int) -> str:
        return self._described.properties[self._properties[key]].atom_type

    def displayed(self, parameter: PluginParameter, plain: float) -> str:
        """Choice, name of the scale point, or number with unit."""
        step = round(plain - (parameter.minimum or 0.0))
        if 0 <= step < len(parameter.choices):
            return parameter.choices[step]
        points = () if parameter.choices else self._points(parameter)
        held = np.float32(plain)  # ports are single precision
        name = next((text for value, text in points if np.float32(value) == held), "")
        return name if name and not quantity(name) else f"{plain:.6g} {parameter.unit}".rstrip()

    def _set_values(self, plain: Mapping[int, float]) -> None:
        self._choose_preset(plain.get(self._preset_id, 0.0))
        for parameter in self.record.parameters:
            if parameter.id not in plain or parameter.id == self._preset_id:
                continue
            value = plain[parameter.id]
            self._check_point(parameter, value)
            if parameter.id in self._properties:
                self._asked[parameter.id] = value
            else:
                self._controls[parameter.id] = value
        if self._asked:
            self._read_back()

    def _choose_preset(self, number: float) -> None:
        self._preset = number
        if number == 0:
            return
        self._apply(self._described.presets[round(number) - 1])

    def _load_preset(self, preset: str) -> None:
        self._apply(chosen_preset(preset, self.record.id))

    def _apply(self, preset: Preset) -> None:
        ports = {p.symbol: p.index for p in self._described.ports if p.is_a("ControlPort")}
        for symbol, value in preset.values.items():
            if symbol not in ports:
                raise PluginError(f'preset "{preset.name}": there is no control port "{symbol}"')
            self._controls[ports[symbol]] = value
        self._restore(preset.state, f'preset "{preset.name}"')

    def _check_point(self, parameter: PluginParameter, value: float) -> None:
        """Refuse a value between the points of an enumeration with gaps."""
        if POINTS not in parameter.flags:
            return
        points = self._points(parameter)
        if value not in [point for point, _ in points]:
            named = ", ".join(f'{v:g} ("{text}")' for v, text in points)
            raise PluginError(
                f'parameter "{parameter.name}": {value:.10g} is no choice; allowed: {named}'
            )

    def _read_back(self) -> None:
        """Send the properties in one block of silence, ask for them in the next.

        What a plug-in tells in the first block it may have told before it heard.
        """
        self._activate(BLOCK_FRAMES)
        self._run()
        urids = {key: self._urids(self._properties[key]) for key in self._asked}
        self._messages = [atoms.get_message(self._urids, self._properties[key]) for key in urids]
        told: dict[int, float] = {}
        for _ in range(2):
            self._run()
            for port, memory in self._atoms.items():
                if port.is_a("OutputPort"):
                    answers = atoms.told_numbers(self._urids, memory.tobytes())
                    told = {**answers, **told}  # the first: what comes later may have moved on
        self._deactivate()
        self._told = {key: told[number] for key, number in urids.items() if number in told}

    def _activate(self, block_frames: int) -> None:
        least, most = self._block_bounds
        if not least <= block_frames <= most:
            raise PluginError(f"{self.record.id}: {block_frames} frames a block; {least} to {most}")
        self._block_frames, self._has_run = block_frames, False
        self._messages = [
            atoms.set_message(self._urids, self._properties[key], self._atom_type(key), value)
            for key, value in self._asked.items()
        ]
        self._input, self._output = (self._audio(way) for way in ("InputPort", "OutputPort"))
        self._start()

    def _audio(self, way: str) -> Samples:
        """Silent memory for the main ports of that way, once the others have theirs."""
        ports = main_audio(self._described, way)
        main = np.zeros((len(ports), self._block_frames), dtype=np.float32)
        for port, memory in zip(ports, main, strict=True):
            self._connect(port.index, memory)
        others = [p for p in self._described.ports if _is_signal(p, way) and p not in ports]
        spare = np.zeros((len(others), self._block_frames), dtype=np.float32)
        for port, memory in zip(others, spare, strict=True):
            self._connect(port.index, memory)
        self._spare[way] = spare
        return main

    def _arm(self) -> None:
        """Make the atom ports ready for a run: what goes in, and room for what comes out."""
        for port, memory in self._atoms.items():
            if port.is_a("InputPort"):
                content = atoms.sequence(self._urids, self._messages if port is self._patch else [])
            else:
                content = struct.pack("=II", memory.size - 8, self._urids(ATOM + "Chunk"))
            memory[: len(content)] = np.frombuffer(content, dtype=np.uint8)
        self._messages = []

    def _run(self) -> None:
        self._arm()
        self._descriptor.run(self._handle, self._block_frames)
        self._has_run = True
        if self._worker:
            self._host.work(self._worker, self._handle)

    def _process(self, block: Samples) -> Samples:
        self._input[:] = block
        self._run()
        return self._output

    def _latency_frames(self) -> int:
        if not self._has_run:
            self._run()  # of silence: the port holds nothing before
        for port in self._described.ports:
            reports = CORE + "reportsLatency" in port.quantity.properties
            if port.is_a("ControlPort", "OutputPort") and (
                reports or port.designation == CORE + "latency"
            ):
                return self._frames_at(port.index)
        return 0

    def notes(self) -> tuple[str, ...]:
        """Properties it was sent but did not confirm."""
        silent = [self._properties[key] for key in self._asked if key not in self._told]
        names = ", ".join(self._described.properties[uri].name for uri in silent)
        return (f"it does not tell what it made of {names}",) if names else ()


def _is_signal(port: Port, way: str) -> bool:
    return port.is_a(way) and (port.is_a("AudioPort") or port.is_a("CVPort"))
