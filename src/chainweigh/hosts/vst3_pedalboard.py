"""VST 3 by pedalboard, for bundles our own host cannot load."""

from pathlib import Path
from typing import Any

from chainweigh.errors import PluginError
from chainweigh.hosts.by_pedalboard import PedalboardInstance, PedalboardLibrary
from chainweigh.hosts.records import PEDALBOARD
from chainweigh.hosts.vst3_module import binary_of
from chainweigh.hosts.vst3_preset import preset_bytes, preset_for, read_preset


class _Instance(PedalboardInstance):
    @staticmethod
    def id_of(plugin: Any) -> str:
        """The class id its state names."""
        return read_preset(plugin.preset_data, plugin.name).class_id

    @staticmethod
    def _state_of(plugin: Any) -> bytes:
        return bytes(plugin.preset_data)

    def _take_content(self, content: bytes, name: str) -> None:
        preset = preset_for(self.record, content, name)
        try:
            self._plugin.preset_data = preset_bytes(preset)
        except (ValueError, RuntimeError) as error:
            raise PluginError(f"{self.record.id}: refuses {name}") from error


class PedalboardVst3Library(PedalboardLibrary):
    """A VST3 bundle."""

    format, engine, instance_type = "vst3", PEDALBOARD, _Instance
    notes = ("rendered by pedalboard in real-time mode, as our own host could not load it",)

    def __init__(self, path: Path) -> None:
        import pedalboard

        binary_of(path)
        super().__init__(path, pedalboard.VST3Plugin)
