"""CLAP 1.x: entry, factory, instance; parameters are plain doubles."""

import ctypes
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from ctypes import POINTER, c_double, c_float, create_string_buffer
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.errors import PluginError, PluginFaultError
from chainweigh.hosts import clap_abi as abi
from chainweigh.hosts.binary import missing_symbol, open_library, printable
from chainweigh.hosts.clap_host import ClapHost, ParameterEvents, extension, load_state, saved_state
from chainweigh.hosts.lifecycle import Instance, Library, restarted
from chainweigh.hosts.records import (
    BYPASS,
    HIDDEN,
    READ_ONLY,
    SCALED,
    PluginParameter,
    PluginRecord,
    audio_refusal,
)
from chainweigh.hosts.texts import MAX_CHOICES, choices_of, unit_of

_FLAGS = {abi.IS_HIDDEN: HIDDEN, abi.IS_READ_ONLY: READ_ONLY, abi.IS_BYPASS: BYPASS}
_TEXT_BYTES = 256


class ClapLibrary(Library):
    """A CLAP file; its plug-ins are created once to be described."""

    def __init__(self, path: Path) -> None:
        self.path = path
        dll = open_library(path)
        try:
            self._entry = abi.Entry.in_dll(dll, "clap_entry")
        except ValueError as error:
            raise missing_symbol(path, "clap_entry", "CLAP") from error
        if self._entry.version.major != 1:
            raise PluginError(f"{path}: CLAP version {self._entry.version.major}; 1 is known")
        if not self._entry.init(str(path).encode()):
            raise PluginError(f"{path}: its entry refused to start")
        self._factory_address = self._entry.get_factory(abi.PLUGIN_FACTORY)
        if not self._factory_address:
            raise PluginError(f"{path}: has no plug-in factory")
        self._factory = abi.Factory.from_address(self._factory_address)
        n_plugins = self._factory.count(self._factory_address)
        if n_plugins == 0:
            raise PluginError(f"{path}: holds no plug-in")
        descriptors = (
            self._factory.descriptor(self._factory_address, i).contents for i in range(n_plugins)
        )
        self.records = tuple(map(self._describe, descriptors))

    def _describe(self, descriptor: abi.Descriptor) -> PluginRecord:
        bare = PluginRecord(
            format="clap",
            id=printable(descriptor.id),
            name=printable(descriptor.name),
            vendor=printable(descriptor.vendor),
            version=printable(descriptor.plugin_version),
            n_inputs=0,
            n_outputs=0,
        )
        instance = self._instance(bare, 48_000)
        try:
            return instance.described(_features(descriptor))
        finally:
            instance.destroy()

    def create(self, plugin_id: str, sample_rate_hz: int) -> Instance:
        """A new instance."""
        return self._instance(self.record(plugin_id), sample_rate_hz)

    def _instance(self, record: PluginRecord, sample_rate_hz: int) -> "_ClapInstance":
        host = ClapHost()
        address = self._factory.create(self._factory_address, host.address, record.id.encode())
        if not address:
            raise PluginError(f"{self.path}: {record.id} was not created")
        return _ClapInstance(abi.Plugin.from_address(address), host, record, sample_rate_hz)


def _features(descriptor: abi.Descriptor) -> list[str]:
    found: list[str] = []
    while descriptor.features and descriptor.features[len(found)]:
        found.append(printable(descriptor.features[len(found)]))
    return found


class _ClapInstance(Instance):
    def __init__(
        self, plugin: abi.Plugin, host: ClapHost, record: PluginRecord, sample_rate_hz: int
    ) -> None:
        super().__init__(record, sample_rate_hz)
        self._plugin, self._host = plugin, host
        self._address = ctypes.addressof(plugin)
        if not plugin.init(self._address):
            plugin.destroy(self._address)
            raise PluginError(f"{record.id}: refused to start")
        self._params: Any = extension(plugin, abi.PARAMS, abi.Params)
        self._ports = {way: list(self._port_infos(way)) for way in (True, False)}
        self._n_restarts = 0
        render: Any = extension(plugin, abi.RENDER, abi.Render)
        if render:
            render.set(self._address, abi.OFFLINE)

    def _port_infos(self, is_input: bool) -> Iterator[abi.AudioPortInfo]:
        ports: Any = extension(self._plugin, abi.AUDIO_PORTS, abi.AudioPorts)
        for index in range(ports.count(self._address, is_input) if ports else 0):
            info = abi.AudioPortInfo()
            ports.get(self._address, index, is_input, ctypes.byref(info))
            yield info

    def described(self, features: list[str]) -> PluginRecord:
        """Its record, read from the instance itself."""
        n_in, n_out = (_main_channels(self._ports[way]) for way in (True, False))
        refusal = audio_refusal(n_in, n_out)
        if "instrument" in features and "audio-effect" not in features:
            refusal = "it is an instrument, not an effect"
        side_chain = len(self._ports[True]) > 1
        return replace(
            self.record,
            n_inputs=n_in,
            n_outputs=n_out,
            parameters=tuple(self._parameters()),
            notes=("its other inputs are fed silence",) if side_chain else (),
            refusal=refusal,
        )

    def _parameters(self) -> Iterator[PluginParameter]:
        for index in range(self._params.count(self._address) if self._params else 0):
            info = abi.ParamInfo()
            if self._params.get_info(self._address, index, ctypes.byref(info)):
                yield self._parameter(info)

    def _parameter(self, info: abi.ParamInfo) -> PluginParameter:
        flags = [name for bit, name in _FLAGS.items() if info.flags & bit]
        low, high = float(info.minimum), float(info.maximum)
        steps = round(high - low) if info.flags & abi.STEPPED else None
        choices: tuple[str, ...] = ()
        if steps is not None and 0 < steps < MAX_CHOICES:
            choices = choices_of([self._shown(info.id, low + step) for step in range(steps + 1)])
        unit, scaled = "", False
        if not choices:
            values = (low, float(info.default), high)
            unit, scaled = unit_of((self._shown(info.id, value), value) for value in values)
        return PluginParameter(
            id=info.id,
            name=printable(info.name),
            unit=unit,
            minimum=low,
            maximum=high,
            default=float(info.default),
            steps=steps,
            choices=choices,
            flags=(*flags, SCALED) if scaled else tuple(flags),
        )

    def _shown(self, parameter_id: int, value: float) -> str:
        text = create_string_buffer(_TEXT_BYTES)
        done = self._params.value_to_text(self._address, parameter_id, value, text, _TEXT_BYTES)
        return printable(text.value) if done else ""

    def plain_of_text(self, parameter: PluginParameter, text: str) -> float | None:
        """The plug-in's own reading; may claim to know junk: the caller compares."""
        value = c_double()
        done = self._params.text_to_value(
            self._address, parameter.id, text.encode(), ctypes.byref(value)
        )
        return float(value.value) if done else None

    def actual(self, parameter: PluginParameter) -> float:
        """Plain value, double precision."""
        value = c_double(float("nan"))
        self._params.get_value(self._address, parameter.id, ctypes.byref(value))
        return float(value.value)

    def displayed(self, parameter: PluginParameter, plain: float) -> str:
        """The plug-in's own text."""
        return self._shown(parameter.id, plain) or f"{plain:.10g}"

    def _set_values(self, plain: Mapping[int, float]) -> None:
        if plain:
            events = ParameterEvents(dict(plain))
            self._params.flush(self._address, events.input, events.output)
            self._serve()

    def _load_preset(self, preset: str) -> None:
        if not load_state(self._state_extension(), self._address, Path(preset).read_bytes()):
            raise PluginError(
                f"{Path(preset).name}: {self.record.id} does not take it; it may be a state of "
                "another plug-in"
            )
        self._serve()

    def _saved_state(self) -> bytes:
        saved = saved_state(self._state_extension(), self._address)
        if saved is None:
            raise PluginError("it refuses to save its state")
        return saved

    def _restore_state(self, state: bytes) -> None:
        if not load_state(self._state_extension(), self._address, state):
            raise PluginError("it does not take the state it saved")
        self._serve()

    def _state_extension(self) -> Any:
        found = extension(self._plugin, abi.STATE, abi.State)
        if not found:
            raise PluginError(f"{self.record.id} keeps no state, so it takes no preset")
        return found

    def _activate(self, block_frames: int) -> None:
        self._block_frames, self._steady_time = block_frames, 0
        self._events = ParameterEvents()
        self._inputs, self._input = self._buffers(True)
        self._outputs, self._output = self._buffers(False)
        self._start()
        self._restart_if_asked()

    def _start(self) -> None:
        if not self._plugin.activate(
            self._address, float(self.sample_rate_hz), 1, self._block_frames
        ):
            raise PluginError(f"{self.record.id}: refuses {self.sample_rate_hz} Hz")
        with self._as_audio_thread():
            if not self._plugin.start_processing(self._address):
                raise PluginError(f"{self.record.id}: refused to start processing")

    def _buffers(self, is_input: bool) -> tuple[Any, Samples]:
        """Buffers of all ports, silent, and the array of the main port's channels."""
        ports = self._ports[is_input]
        main = next((i for i, port in enumerate(ports) if port.flags & abi.MAIN_PORT), 0)
        buffers = (abi.AudioBuffer * max(len(ports), 1))()
        self._kept = getattr(self, "_kept", [])
        arrays = [np.zeros((p.n_channels, self._block_frames), np.float32) for p in ports]
        for buffer, array in zip(buffers, arrays, strict=False):
            channels = (POINTER(c_float) * len(array))(
                *(channel.ctypes.data_as(POINTER(c_float)) for channel in array)
            )
            self._kept += [array, channels]
            buffer.data32, buffer.n_channels = channels, len(array)
        return buffers, arrays[main]

    @contextmanager
    def _as_audio_thread(self) -> Iterator[None]:
        self._host.in_audio_call = True
        try:
            yield
        finally:
            self._host.in_audio_call = False

    def _serve(self) -> None:
        """Call the plug-in back on its main thread where it asked for that."""
        if self._host.wants_callback:
            self._host.wants_callback = False
            self._plugin.on_main_thread(self._address)

    def _restart_if_asked(self) -> None:
        self._serve()
        if self._host.wants_restart:
            self._host.wants_restart = False
            self._n_restarts += 1
            self._deactivate()
            self._start()

    def _process(self, block: Samples) -> Samples:
        self._input[:] = block
        job = abi.Process(
            self._steady_time,
            block.shape[1],
            None,
            self._inputs,
            self._outputs,
            len(self._ports[True]),
            len(self._ports[False]),
            self._events.input,
            self._events.output,
        )
        with self._as_audio_thread():
            status = self._plugin.process(self._address, ctypes.byref(job))
        if status == abi.PROCESS_ERROR:
            raise PluginFaultError("it reported an error while processing")
        self._steady_time += block.shape[1]
        self._restart_if_asked()
        return self._output

    def _latency_frames(self) -> int:
        latency: Any = extension(self._plugin, abi.LATENCY, abi.Frames)
        return int(latency.get(self._address)) if latency else 0

    def _tail_frames(self) -> int | None:
        tail: Any = extension(self._plugin, abi.TAIL, abi.Frames)
        if not tail:
            return None
        frames = int(tail.get(self._address))
        return None if frames >= abi.ENDLESS_TAIL else frames

    def _deactivate(self) -> None:
        with self._as_audio_thread():
            self._plugin.stop_processing(self._address)
        self._plugin.deactivate(self._address)

    def _destroy(self) -> None:
        self._plugin.destroy(self._address)

    def notes(self) -> tuple[str, ...]:
        """Restarts asked for while it was active."""
        return restarted(self._n_restarts)


def _main_channels(ports: list[abi.AudioPortInfo]) -> int:
    main = [port for port in ports if port.flags & abi.MAIN_PORT] or ports[:1]
    return int(main[0].n_channels) if main else 0
