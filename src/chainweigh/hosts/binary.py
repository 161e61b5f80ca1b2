"""What a plug-in file is, told from its bytes, and its opening as a shared library."""

import ctypes
import os
import platform
import struct
import sys
from pathlib import Path

from chainweigh.errors import PluginError

MACOS = sys.platform == "darwin"
SUFFIXES = {".so": "ladspa", ".clap": "clap", ".lv2": "lv2", ".vst3": "vst3", ".component": "au"}
BUNDLE_FORMATS = ("lv2", "vst3", "au")
_BUNDLES = (".clap", ".vst3", ".lv2", ".component")
_MACHINES = {3: "i386", 40: "arm", 62: "x86_64", 183: "aarch64", 243: "riscv64"}  # ELF e_machine
_SHARED_OBJECT = 3  # ELF e_type


def format_of(path: Path) -> str:
    """The plug-in format a file's name stands for.

    Raises
    ------
    PluginError
        Another ending, or a file that lies in a bundle.
    """
    for parent in path.parents:
        if parent.suffix in _BUNDLES and parent.is_dir():
            raise PluginError(f"{path}: lies inside the bundle {parent.name}; name the bundle")
    if path.suffix not in SUFFIXES:
        known = ", ".join(f"{suffix} ({name.upper()})" for suffix, name in SUFFIXES.items())
        raise PluginError(f"{path}: not a plug-in file; known endings: {known}")
    return SUFFIXES[path.suffix]


def check_system(format_name: str, written: str) -> None:
    """Refuse a format that this system does not have.

    Raises
    ------
    PluginError
        An Audio Unit elsewhere than on macOS; there, a Python that cannot watch a worker.
    """
    if format_name == "au" and not MACOS:
        raise PluginError(f"{written}: Audio Units need macOS; this is {platform.system()}")
    if not hasattr(os, "waitid"):
        raise PluginError(f"{written}: plug-ins need Python 3.13 or newer on {platform.system()}")


def check_binary(path: Path) -> None:
    """Refuse a file that is no shared library for this machine, without running any of it.

    Raises
    ------
    PluginError
        Missing, not a file, not a shared library, or built for another processor.

    References
    ----------
    System V ABI, chapter 4, "ELF Header".
    """
    try:
        with path.open("rb") as file:
            head = file.read(20)
    except OSError as error:
        raise PluginError(f"{path}: cannot be read ({error.strerror})") from error
    if len(head) < 20 or head[:4] != b"\x7fELF":
        raise PluginError(f"{path}: not a plug-in: it is not a shared library of this system")
    order = "<" if head[5] == 1 else ">"
    kind, machine = struct.unpack_from(f"{order}HH", head, 16)
    built_for = _MACHINES.get(machine, f"processor type {machine}")
    if built_for != platform.machine():
        raise PluginError(f"{path}: built for {built_for}; this machine is {platform.machine()}")
    if kind != _SHARED_OBJECT:
        raise PluginError(f"{path}: not a plug-in: a program, not a shared library")


def open_library(path: Path) -> ctypes.CDLL:
    """Load a shared library with all its symbols resolved.

    Raises
    ------
    PluginError
        A library or symbol it needs is missing; the text names it.
    """
    try:
        return ctypes.CDLL(str(path), mode=os.RTLD_NOW | os.RTLD_LOCAL)
    except OSError as error:
        reason = str(error).removeprefix(f"{path}: ")
        raise PluginError(f"{path}: cannot be loaded: {reason}") from error


def missing_symbol(path: Path, symbol: str, format_name: str) -> PluginError:
    """The error for a library without a format's entry."""
    return PluginError(f"{path}: symbol {symbol} is missing; it is not a {format_name} plug-in")


def printable(value: bytes | None) -> str:
    """Text of a plug-in without what a terminal would obey."""
    text = (value or b"").decode("utf-8", "replace")
    return "".join(c if c.isprintable() else " " for c in text).strip()
