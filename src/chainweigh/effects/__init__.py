"""Built-in effects, one file each; `effect` finds one by name."""

import difflib
from importlib import import_module

from chainweigh.effects.base import Effect
from chainweigh.errors import ChainFileError

NAMES = (
    "clip",
    "compress",
    "compress_bands",
    "dc_block",
    "dither",
    "echo",
    "eq",
    "gain",
    "limit",
    "masked_clip",
    "mono_below",
    "resonance_cut",
    "reverb",
    "saturate",
    "shorten",
    "transient",
    "width",
)


def effect(name: str) -> Effect:
    """The built-in effect of that name.

    Raises
    ------
    ChainFileError
        Unknown name; the text lists the closest.
    """
    if name not in NAMES:
        close = difflib.get_close_matches(name, NAMES, n=3, cutoff=0.4) or NAMES
        raise ChainFileError(f'unknown effect "{name}"; did you mean {", ".join(close)}?')
    found: Effect = import_module(f"chainweigh.effects.{name}").EFFECT
    return found
