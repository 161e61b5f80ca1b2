"""Plug-ins by pedalboard: what is the same for each format it loads.

Parameters are known by their place in the plug-in's list, have no plain values and are all shown,
hidden ones too; a tail is not told. Loading plays noise through an instance, which is reset and
given silence before it is used.
"""

from abc import abstractmethod
from collections.abc import Iterator
from contextlib import contextmanager
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
from chainweigh.hosts.records import PluginRecord

_REFUSAL = "it takes neither two channels nor one"
INSTRUMENT_S = 0.1  # to start sounding; instruments are refused anyway
_CONTINUOUS = 2**31 - 1
_DESCRIBED_AT_HZ = 48_000


class PedalboardLibrary(Library):
    """A bundle; its plug-ins are created once to be described, and told apart by name.

    Parameters
    ----------
    kind : pedalboard's class for plug-ins of the format
    """

    format: str
    engine = ""
    notes: tuple[str, ...]
    instance_type: "type[PedalboardInstance]"

    def __init__(self, path: Path, kind: Any) -> None:
        self.path, self._kind = path, kind
        self._names: dict[str, str] = {}
        self.records = tuple(self._described())

    def _load(self, name: str) -> Any:
        with _refused_as(str(self.path)):
            return self._kind(str(self.path), plugin_name=name, initialization_timeout=INSTRUMENT_S)

    def _described(self) -> Iterator[PluginRecord]:
        """Records of all that can be created; the first reason where none can."""
        failures = [PluginError(f"{self.path}: holds no plug-in")]
        with _refused_as(str(self.path)):
            names = self._kind.get_plugin_names_for_file(str(self.path))
        for name in names:
            try:
                yield self._describe(name)
            except PluginError as error:
                failures.append(error)
        if not self._names:
            raise failures[-1]

    def _describe(self, name: str) -> PluginRecord:
        plugin = self._load(name)
        plugin_id = self.instance_type.id_of(plugin)
        self._names[plugin_id] = name
        n_channels = _channels(plugin)
        refusal = "it is an instrument, not an effect" if plugin.is_instrument else None
        return PluginRecord(
            format=self.format,
            id=plugin_id,
            name=printable(plugin.name.encode()),
            vendor=printable(plugin.manufacturer_name.encode()),
            version=printable(plugin.version.encode()),
            n_inputs=n_channels,
            n_outputs=n_channels,
            parameters=Parameters(_Controller(plugin)).records(),
            notes=self.notes,
            refusal=refusal or ("" if n_channels else _REFUSAL) or None,
            engine=self.engine,
        )

    def create(self, plugin_id: str, sample_rate_hz: int) -> Instance:
        """A new instance."""
        plugin = self._load(self._names[plugin_id])
        return self.instance_type(plugin, self.record(plugin_id), sample_rate_hz)


@contextmanager
def _refused_as(start: str) -> Iterator[None]:
    """Turn what pedalboard raises into a refusal that starts so."""
    try:
        yield
    except (ValueError, RuntimeError, ImportError) as error:
        raise PluginError(f"{start}: {printable(str(error).encode())}") from error


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


class PedalboardInstance(NormalisedInstance):
    """An instance; what its state is the format says."""

    def __init__(self, plugin: Any, record: PluginRecord, sample_rate_hz: int) -> None:
        super().__init__(record, sample_rate_hz, _Controller(plugin))
        self._plugin = plugin

    @staticmethod
    @abstractmethod
    def id_of(plugin: Any) -> str:
        """How a chain file names a plug-in."""

    @staticmethod
    @abstractmethod
    def _state_of(plugin: Any) -> bytes:
        """All it keeps."""

    def _saved_state(self) -> bytes:
        self._run(self._silence(BLOCK_FRAMES))  # its state is stale until then
        return self._state_of(self._plugin)

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
