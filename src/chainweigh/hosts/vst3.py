"""VST 3: a bundle's classes, described and run through their interfaces.

A plug-in has two halves. The component processes and hears parameters in its blocks alone; the
controller names, converts and displays them. Values set are sent to both, and read back from the
controller after it was told the component's state.

References
----------
VST 3.7 API and its documentation of call sequences.
"""

import ctypes
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

from chainweigh.audio.array import Samples
from chainweigh.errors import PluginError, PluginFaultError
from chainweigh.hosts import vst3_abi as abi
from chainweigh.hosts.lifecycle import Instance, Library, restarted
from chainweigh.hosts.normalised_instance import NormalisedInstance
from chainweigh.hosts.playing import BLOCK_FRAMES
from chainweigh.hosts.records import PluginRecord, audio_refusal
from chainweigh.hosts.vst3_buses import (
    WAYS,
    Bus,
    BusMemory,
    main_channels,
    prefer_stereo,
    read_buses,
)
from chainweigh.hosts.vst3_controller import Vst3Controller
from chainweigh.hosts.vst3_host import Application, NoEvents, ParameterChanges
from chainweigh.hosts.vst3_module import Module, PluginClass
from chainweigh.hosts.vst3_parts import Parts
from chainweigh.hosts.vst3_preset import Preset, preset_bytes, preset_for


class Vst3Library(Library):
    """A VST3 bundle; its plug-ins are created once to be described."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._application = Application()
        self._module = Module(path, self._application.address)
        self.records = tuple(map(self._describe, self._module.classes()))
        if not self.records:
            raise PluginError(f"{path}: holds no plug-in")
        if not any(record.n_inputs or record.n_outputs for record in self.records):
            raise PluginError(f"{path}: {self.records[0].refusal}")

    def _describe(self, found: PluginClass) -> PluginRecord:
        bare = PluginRecord(
            format="vst3",
            id=found.class_id,
            name=found.name,
            vendor=found.vendor,
            version=found.version,
            n_inputs=0,
            n_outputs=0,
            refusal="it is an instrument, not an effect" if found.is_instrument else None,
        )
        try:
            instance = self._instance(bare, 48_000)
        except PluginError as error:  # the other classes may be sound
            return replace(bare, refusal=bare.refusal or str(error))
        try:
            return instance.described()
        finally:
            instance.destroy()

    def create(self, plugin_id: str, sample_rate_hz: int) -> Instance:
        """A new instance."""
        return self._instance(self.record(plugin_id), sample_rate_hz)

    def _instance(self, record: PluginRecord, sample_rate_hz: int) -> "_Vst3Instance":
        parts = Parts(self._module, record.id, self._application)
        return _Vst3Instance(parts, record, sample_rate_hz)


class _Vst3Instance(NormalisedInstance):
    def __init__(self, parts: Parts, record: PluginRecord, sample_rate_hz: int) -> None:
        super().__init__(record, sample_rate_hz, Vst3Controller(parts.controller))
        self._parts = parts
        self._component, self._processor = parts.component, parts.processor
        self._n_restarts = 0
        prefer_stereo(self._component, self._processor)
        self._buses = self._read_buses()
        self._heard, self._told = ParameterChanges(), ParameterChanges()
        self._events = NoEvents()

    def _read_buses(self) -> list[list[Bus]]:
        return [read_buses(self._component, way) for way in WAYS]

    def described(self) -> PluginRecord:
        """Its record, read from the instance itself."""
        n_in, n_out = map(main_channels, self._buses)
        side_chain = len(self._buses[abi.INPUT]) > 1
        return replace(
            self.record,
            n_inputs=n_in,
            n_outputs=n_out,
            parameters=self._parameters.records(),
            notes=("its other inputs are fed silence",) if side_chain else (),
            refusal=self.record.refusal or audio_refusal(n_in, n_out),
        )

    def _take_content(self, content: bytes, name: str) -> None:
        preset = preset_for(self.record, content, name)
        self._parts.restore(preset.component, preset.controller, name)

    def _saved_state(self) -> bytes:
        component = self._parts.component_state()
        if component is None:
            raise PluginError(f"{self.record.id}: keeps no state")
        return preset_bytes(Preset(self.record.id, component, self._parts.controller_state()))

    def _send(self, normalised: Mapping[int, float]) -> None:
        """Set values in a block of silence, and have the controller told what became of them."""
        super()._send(normalised)
        self._activate(BLOCK_FRAMES)
        try:
            self._run(normalised)
        finally:
            self._deactivate()
        self._parts.tell_controller()

    def _activate(self, block_frames: int) -> None:
        self._prepare(block_frames)
        setup = abi.ProcessSetup(
            abi.OFFLINE, abi.SINGLE_PRECISION, block_frames, float(self.sample_rate_hz)
        )
        if self._processor.setup_processing(ctypes.byref(setup)) != abi.OK:
            raise PluginError(f"{self.record.id}: refuses {self.sample_rate_hz} Hz")
        for way in WAYS:
            for index, bus in enumerate(self._buses[way]):
                used = bus.is_main or bus.starts_active
                self._component.activate_bus(abi.AUDIO, way, index, used)
        self._start()
        self._restart_if_asked()

    def _prepare(self, block_frames: int) -> None:
        """Make what a call to process is given."""
        self._memory = [BusMemory(buses, block_frames) for buses in self._buses]
        inputs, outputs = self._memory
        self._context = abi.ProcessContext(
            state=abi.PLAYING | abi.CONTINUOUS_TIME_VALID,
            sample_rate_hz=self.sample_rate_hz,
            tempo_bpm=120.0,  # not marked as valid, but some divide by it all the same
            beats_per_bar=4,
            beat_unit=4,
        )
        self._job = abi.ProcessData(
            mode=abi.OFFLINE,
            sample_size=abi.SINGLE_PRECISION,
            n_frames=block_frames,
            n_inputs=inputs.n_buses,
            n_outputs=outputs.n_buses,
            inputs=inputs.buffers,
            outputs=outputs.buffers,
            input_changes=self._heard.address,
            output_changes=self._told.address,
            input_events=self._events.address,
            output_events=self._events.address,
            context=ctypes.pointer(self._context),
        )

    def _start(self) -> None:
        if self._component.set_active(True) == abi.FALSE:
            raise PluginError(f"{self.record.id}: refused to be activated")
        self._processor.set_processing(True)

    def _restart_if_asked(self) -> None:
        if self._parts.handler.wants_restart:
            self._parts.handler.wants_restart = False
            self._n_restarts += 1
            self._deactivate()
            if self._read_buses() != self._buses:
                raise PluginFaultError("it changed its channels while it was active")
            self._start()

    def _run(self, normalised: Mapping[int, float] = MappingProxyType({})) -> None:
        edits, self._parts.handler.edits = self._parts.handler.edits, {}
        self._heard.become({**edits, **normalised})
        status = self._processor.process(ctypes.byref(self._job))
        if status != abi.OK:
            raise PluginFaultError("it reported an error while processing")
        self._context.project_frames += self._job.n_frames
        self._context.continuous_frames = self._context.project_frames
        self._told.become({})
        self._restart_if_asked()

    def _process(self, block: Samples) -> Samples:
        inputs, outputs = self._memory
        inputs.main[:] = block
        self._run()
        return outputs.main

    def _latency_frames(self) -> int:
        return int(self._processor.get_latency_frames())

    def _tail_frames(self) -> int | None:
        frames = int(self._processor.get_tail_frames())
        return None if frames == abi.ENDLESS_TAIL else frames

    def _deactivate(self) -> None:
        self._processor.set_processing(False)
        self._component.set_active(False)

    def _destroy(self) -> None:
        self._parts.destroy()
        for given in (self._heard, self._told, self._events):
            given.release()

    def notes(self) -> tuple[str, ...]:
        """Restarts asked for while it was active."""
        return restarted(self._n_restarts)
