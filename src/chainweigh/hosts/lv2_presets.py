"""LV2 presets outside the plug-in's own bundle: in a Turtle file, in another bundle, by URI."""

from collections.abc import Iterable
from pathlib import Path

from chainweigh.errors import PluginError
from chainweigh.hosts.lv2_turtle import Preset, read_presets


def chosen_preset(source: str, plugin_uri: str) -> Preset:
    """The preset of a plug-in in `FILE`, or `FILE#NAME` by name or URI where it holds several.

    Raises
    ------
    PluginError
        None there, none of that name, several, or one of another plug-in.
    """
    path, _, choice = source.partition("#")
    where = Path(path).name
    known = read_presets(Path(path))
    if not known:
        raise PluginError(f"{where}: holds no LV2 preset")
    named = {
        uri: (plugins, preset)
        for uri, (plugins, preset) in known.items()
        if choice in ("", uri, preset.name)
    }
    if not named:
        names = ", ".join(preset.name for _, preset in known.values())
        raise PluginError(f'{where}: holds no preset "{choice}"; it holds {names}')
    own = [preset for plugins, preset in named.values() if plugin_uri in plugins]
    if not own:
        plugins, preset = next(iter(named.values()))
        others = ", ".join(sorted(plugins)) or "no plug-in"
        raise PluginError(f'{where}: preset "{preset.name}" is for {others}, not for {plugin_uri}')
    if len(own) > 1:
        names = ", ".join(preset.name for preset in own)
        raise PluginError(f"{where}: holds {len(own)} presets; write {where}#NAME of {names}")
    return own[0]


def bundle_of_preset(uri: str, bundles: Iterable[Path]) -> Path | None:
    """The first bundle that holds a preset of that URI; those that cannot be read hold none."""
    for bundle in bundles:
        try:
            if uri in read_presets(bundle):
                return bundle
        except PluginError:
            continue
    return None
