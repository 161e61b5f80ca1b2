"""VST 3 by pedalboard, for bundles our own host cannot load.

Parameters are known by their place in the plug-in's list, have no plain values and are all shown,
hidden ones too; a tail is not told. Loading plays noise through an instance, which is reset and
given silence before it is used.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.errors import PluginError
from chainweigh.hosts.binary import printable
from chainweigh.hosts.lifecycle import Instance, Library
from chainweigh.hosts.normalised import NormalisedParameter, Parameters
from chainweigh.hosts.normalised_instance import NormalisedInstance
from chainweigh.hosts.playing import BLOCK_FRAMES
from chainweigh.hosts.records import PEDALBOARD, PluginRecord
from chainweigh.hosts.vst3_module import binary_of
from chainweigh.hosts.vst3_preset import Preset, preset_bytes, read_preset

_REFUSAL = "it takes neither two channels nor one"
INSTRUMENT_S = 0.1  # to start sounding; instruments are refused anyway
_CONTINUOUS = 2**31 - 1
_DESCRIBED_AT_HZ = 48_000


class PedalboardLibrary(Library):
    """A VST3 bundle; its plug-ins are created once to be described, and told apart by name."""

    def __init__(self, path: Path) -> None:
        import pedalboard

        self.path = path
        binary_of(path)
        self._kind = pedalboard.VST3Plugin
        self._names: dict[str, str] = {}
        self.records = tuple(self._described())

    def _load(self, name: str) -> Any:
        try:
            return self._kind(str(self.path), plugin_name=name, initialization_timeout=INSTRUMENT_S)
        except (ValueError, RuntimeError, ImportError) as error:
            raise PluginError(f"{self.path}: {printable(str(error).encode())}") from error

    def _described(self) -> Iterator[PluginRecord]:
        """Records of all that can be created; the first reason where none can."""
        failures = [PluginError(f"{self.path}: holds no plug-in")]
        for name in self._kind.get_plugin_names_for_file(str(self.path)):
            try:
                yield self._describe(name)
            except PluginError as error:
                failures.append(error)
        if not self._names:
            raise failures[-1]

    def _describe(self, name: str) -> PluginRecord:
        plugin = self._load(name)
        class_id = read_preset(plugin.preset_data, name).class_id
        self._names[class_id] = name
        n_channels = _channels(plugin)
        refusal = "it is an instrument, not an effect" if plugin.is_instrument else None
        return PluginRecord(
            format="vst3",
            id=class_id,
            name=printable(plugin.name.encode()),
            vendor=printable(plugin.manufacturer_name.encode()),
            version=printable(plugin.version.encode()),
            n_inputs=n_channels,
            n_outputs=n_channels,
            parameters=Parameters(_Controller(plugin)).records(),
            notes=("rendered by pedalboard in real-time mode, as our own host could not load it",),
            refusal=refusal or ("" if n_channels else _REFUSAL) or None,
            engine=PEDALBOARD,
        )

    def create(self, plugin_id: str, sample_rate_hz: int) -> Instance:
        """A new instance."""
        plugin = self._load(self._names[plugin_id])
        return _PedalboardInstance(plugin, self.record(plugin_id), sample_rate_hz)


def _channels(plugin: Any) -> int:
    """Channels it takes; 0 where that is neither two nor one."""
    for n_channels in (2, 1):
        try:
            plugin.process(np.zeros((n_channels, 64), np.float32), _DESCRIBED_AT_HZ, reset=False)
        except ValueError:
            continue
        return n_channels
    return 0


class _Controller:
    """Its list of parameters; see `normalised.Controller`."""

    def __init__(self, plugin: Any) -> None:
        self._parameters = plugin._parameters  # the attributes by name lose some, and round

    def parameters(self) -> Iterator[NormalisedParameter]:
        """All of them."""
        for index, known in enumerate(self._parameters):
            n_steps = 0 if known.num_steps == _CONTINUOUS else known.num_steps - 1
            yield NormalisedParameter(
                id=index,
                name=printable(known.name.encode()),
                unit=printable(known.label.encode()),
                n_steps=n_steps,
                default=known.default_raw_value,
                is_list=n_steps > 1,
                flags=(),
            )

    def to_plain(self, parameter_id: int, normalised: float) -> float:
        """The same: no other is known."""
        return normalised

    def to_normalised(self, parameter_id: int, plain: float) -> float:
        """The same: no other is known."""
        return plain

    def text(self, parameter_id: int, normalised: float) -> str:
        """Its text for a value."""
        return printable(self._parameters[parameter_id].get_text_for_raw_value(normalised).encode())

    def value_of_text(self, parameter_id: int, text: str) -> float:
        """Its reading of a text."""
        return float(self._parameters[parameter_id].get_raw_value_for_text(text))

    def get(self, parameter_id: int) -> float:
        """The value held."""
        return float(self._parameters[parameter_id].raw_value)

    def set(self, parameter_id: int, normalised: float) -> None:
        """Hold a value."""
        self._parameters[parameter_id].raw_value = normalised


class _PedalboardInstance(NormalisedInstance):
    def __init__(self, plugin: Any, record: PluginRecord, sample_rate_hz: int) -> None:
        super().__init__(record, sample_rate_hz, _Controller(plugin))
        self._plugin = plugin

    def _take(self, preset: Preset, name: str) -> None:
        try:
            self._plugin.preset_data = preset_bytes(preset)
        except (ValueError, RuntimeError) as error:
            raise PluginError(f"{self.record.id}: refuses {name}") from error

    def _saved_state(self) -> bytes:
        self._run(self._silence(BLOCK_FRAMES))  # its state is stale until then
        return bytes(self._plugin.preset_data)

    def _silence(self, n_frames: int) -> Samples:
        return np.zeros((self.record.n_inputs, n_frames), np.float32)

    def _activate(self, block_frames: int) -> None:
        self._plugin.reset()
        self._run(self._silence(block_frames))  # it tells its latency from then on

    def _process(self, block: Samples) -> Samples:
        return self._run(block)

    def _run(self, block: Samples) -> Samples:
        """Output of a block; pedalboard keeps back the first frames, as many as the latency."""
        n_frames = block.shape[1]
        found = self._plugin.process(block, self.sample_rate_hz, n_frames, reset=False)
        output = np.zeros_like(block)
        output[:, n_frames - found.shape[1] :] = found
        return output

    def _latency_frames(self) -> int:
        return int(self._plugin.reported_latency_samples)

    def _tail_frames(self) -> int | None:
        return None

    def _deactivate(self) -> None:
        self._plugin.reset()

    def _destroy(self) -> None:
        del self._plugin, self._parameters
