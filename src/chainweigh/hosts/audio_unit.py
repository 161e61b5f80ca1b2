"""Audio Units, on macOS, by pedalboard. Written to its interface, not run on macOS so far.

A plug-in's identifier is its component's type, subtype and manufacturer, as in `aufx,tilt,Exam`;
its state and presets are property lists that hold those too.

References
----------
Apple Technical Note TN2157, "Audio Units - How to correctly save and restore Audio Unit presets".
"""

import plistlib
from pathlib import Path
from typing import Any
from xml.parsers.expat import ExpatError

from chainweigh.errors import PluginError
from chainweigh.hosts.binary import printable
from chainweigh.hosts.by_pedalboard import PedalboardInstance, PedalboardLibrary

_IDENTITY = ("type", "subtype", "manufacturer")


def _identity(content: bytes, name: str) -> str:
    """Identifier of the plug-in a state is of.

    Raises
    ------
    PluginError
        It is no state of an Audio Unit.
    """
    try:
        found = plistlib.loads(content)
        codes = [int(found[key]).to_bytes(4, "big") for key in _IDENTITY]
    except (ValueError, TypeError, LookupError, OverflowError, ExpatError) as error:
        raise PluginError(f"{name}: is no state of an Audio Unit") from error
    return ",".join(map(printable, codes))


class _Instance(PedalboardInstance):
    @staticmethod
    def id_of(plugin: Any) -> str:
        """Type, subtype and manufacturer."""
        return _identity(plugin.raw_state, plugin.name)

    @staticmethod
    def _state_of(plugin: Any) -> bytes:
        return bytes(plugin.raw_state)

    def _take_content(self, content: bytes, name: str) -> None:
        found = _identity(content, name)
        if found != self.record.id:
            raise PluginError(f"{name}: is a preset of another plug-in ({found})")
        self._plugin.raw_state = content


class AudioUnitLibrary(PedalboardLibrary):
    """A bundle NAME.component in one of the folders where macOS looks."""

    format, instance_type = "au", _Instance
    notes = ("rendered by pedalboard in real-time mode",)

    def __init__(self, path: Path) -> None:
        import pedalboard

        super().__init__(path, pedalboard.AudioUnitPlugin)  # on macOS alone
