"""In place of pedalboard's class for Audio Units, which only macOS has: a VST3 plug-in inside one.

A process that finds this on its PYTHONPATH loads NAME.component by the NAME.vst3 in it. States are
property lists with the keys of Apple's Technical Note TN2157.
"""

import plistlib
from pathlib import Path

import pedalboard


def _inside(component):
    (bundle,) = Path(component).glob("*.vst3")
    return str(bundle)


def _code(text):
    return int.from_bytes(text.encode(), "big")


class AudioUnitPlugin:
    """What chainweigh uses of it."""

    def __init__(self, path, parameter_values=None, plugin_name=None, initialization_timeout=10.0):
        self._vst3 = pedalboard.VST3Plugin(
            _inside(path), parameter_values, plugin_name, initialization_timeout
        )

    def __getattr__(self, name):
        if name == "preset_data":  # Audio Units have none
            raise AttributeError(name)
        return getattr(self._vst3, name)

    @staticmethod
    def get_plugin_names_for_file(path):
        return pedalboard.VST3Plugin.get_plugin_names_for_file(_inside(path))

    @property
    def raw_state(self):
        names = {"type": "aufx", "subtype": f"{self.name:.4}", "manufacturer": "Exam"}
        codes = {key: _code(text) for key, text in names.items()}
        content = {"version": 0, "name": self.name, "data": self._vst3.preset_data, **codes}
        return plistlib.dumps(content, fmt=plistlib.FMT_BINARY)

    @raw_state.setter
    def raw_state(self, content):
        self._vst3.preset_data = plistlib.loads(content)["data"]


pedalboard.AudioUnitPlugin = AudioUnitPlugin
