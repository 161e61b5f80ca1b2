"""The preset a chain file names: a file relative to it, or the URI of an LV2 preset."""

from dataclasses import dataclass
from pathlib import Path

from chainweigh.errors import PluginError
from chainweigh.hosts.content import digest
from chainweigh.hosts.lv2_presets import bundle_of_preset
from chainweigh.hosts.places import plugin_files
from chainweigh.hosts.plugin import Plugin

FOLDER = "presets"  # of a run, so that its recipe finds them


@dataclass(frozen=True)
class PresetFile:
    """A file, of LV2 a Turtle file or a bundle; `choice` is which of its presets.

    `digest` is of its content; `uri` is the URI it was found by, None of a file.
    """

    written: str
    path: Path
    choice: str
    digest: str
    uri: str | None = None

    @property
    def source(self) -> str:
        """What a plug-in is given to load."""
        return f"{self.path}#{self.choice}" if self.choice else str(self.path)

    @property
    def kept_as(self) -> str:
        """How a recipe names it: by URI, or where the run's folder holds its copy."""
        if self.uri is not None:
            return self.uri
        choice = f"#{self.choice}" if self.choice else ""
        return f"{FOLDER}/{self.digest[:8]}/{self.path.name}{choice}"


def find_preset(written: str, folder: Path, plugin: Plugin) -> PresetFile:
    """The preset of a chain file in a folder, for a plug-in.

    Raises
    ------
    PluginError
        No such file and, of an LV2 plug-in, no such URI.
    """
    for name, choice in ((written, ""), tuple(written.partition("#")[::2])):
        path = (folder / Path(name).expanduser()).resolve()
        if name and path.exists():
            return PresetFile(written, path, choice, digest(path))
    if plugin.record.format == "lv2":
        bundles = [path for name, path in plugin_files() if name == "lv2"]
        bundle = bundle_of_preset(written, [plugin.path, *bundles])
        if bundle is not None:
            return PresetFile(written, bundle, written, digest(bundle), written)
        raise PluginError(f'preset "{written}": neither a file nor the URI of an LV2 preset')
    raise PluginError(f'preset "{written}": no such file ({folder / written})')
