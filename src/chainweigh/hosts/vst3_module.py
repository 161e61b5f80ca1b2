"""A VST 3 bundle: where its binary lies, and the factory that makes its plug-ins.

References
----------
VST 3.7 documentation, "Plug-in Format Structure" and "VST-MA", module factory.
"""

import ctypes
import platform
from collections.abc import Callable, Iterator
from ctypes import c_void_p
from dataclasses import dataclass
from pathlib import Path

from chainweigh.errors import PluginError
from chainweigh.hosts import vst3_abi as abi
from chainweigh.hosts.binary import check_binary, missing_symbol, open_library, printable
from chainweigh.hosts.vst3_com import PluginObject, iid
from chainweigh.hosts.vst3_host import clean_text


def binary_of(bundle: Path) -> Path:
    """The bundle's binary for this machine.

    Raises
    ------
    PluginError
        Not a bundle, or none for this machine in it; the text says what it has instead.
    """
    contents = bundle / "Contents"
    if not bundle.is_dir():
        raise PluginError(f"{bundle}: not a bundle: a VST3 plug-in is a folder NAME.vst3")
    if not contents.is_dir():
        raise PluginError(f"{bundle}: holds no Contents folder; it is not a VST3 bundle")
    place = contents / f"{platform.machine()}-linux"
    if not place.is_dir():
        others = sorted(p.name for p in contents.iterdir() if p.is_dir() and p.name != "Resources")
        built = f"built for {', '.join(others)}" if others else "holds no binary"
        raise PluginError(f"{bundle}: {built}; this machine needs {place.name}")
    binary = place / f"{bundle.stem}.so"
    if not binary.is_file():
        found = ", ".join(sorted(p.name for p in place.glob("*.so"))) or "nothing"
        raise PluginError(
            f"{bundle}: holds {found} where {binary.name} must be; was the bundle renamed?"
        )
    return binary


@dataclass(frozen=True)
class PluginClass:
    """One class of a factory. `class_id` in upper-case hexadecimal digits."""

    class_id: str
    name: str
    vendor: str
    version: str
    categories: tuple[str, ...]

    @property
    def is_instrument(self) -> bool:
        """Whether it says it is played, not fed."""
        return "Instrument" in self.categories and "Fx" not in self.categories


class Module:
    """A bundle's binary, opened; it stays open as long as the process."""

    def __init__(self, bundle: Path, host: int) -> None:
        self.bundle = bundle
        binary = binary_of(bundle)
        check_binary(binary)
        self._dll = open_library(binary)
        for symbol in ("ModuleEntry", "GetPluginFactory"):
            if not hasattr(self._dll, symbol):
                raise missing_symbol(binary, symbol, "VST3")
        enter = ctypes.CFUNCTYPE(ctypes.c_bool, c_void_p)(("ModuleEntry", self._dll))
        if not enter(self._dll._handle):
            raise PluginError(f"{bundle}: its ModuleEntry refused to start")
        address = ctypes.CFUNCTYPE(c_void_p)(("GetPluginFactory", self._dll))()
        if not address:
            raise PluginError(f"{bundle}: has no plug-in factory")
        self._factory = PluginObject(address, abi.Factory)
        self._factory3 = self._factory.query(abi.Factory3)
        self._factory2 = self._factory3 or self._factory.query(abi.Factory2)
        if self._factory3:
            self._factory3.set_host_context(host)

    def classes(self) -> Iterator[PluginClass]:
        """Its plug-ins, controllers and other parts left out."""
        for index in range(self._factory.count_classes()):
            plain = abi.ClassInfo()
            status = self._factory.get_class(index, ctypes.byref(plain))
            if status == abi.OK and plain.category == abi.AUDIO_MODULE:
                yield self._described(index, plain)

    def _described(self, index: int, plain: abi.ClassInfo) -> PluginClass:
        """By the newest factory that answers."""
        class_id = bytes(plain.class_id).hex().upper()
        wide, more = abi.ClassInfoUtf16(), abi.ClassInfo2()
        if self._factory3 and self._read(self._factory3.get_class_utf16, index, wide):
            name, vendor, version = map(clean_text, (wide.name, wide.vendor, wide.version))
            categories = wide.sub_categories
        elif self._factory2 and self._read(self._factory2.get_class_2, index, more):
            name, vendor, version = map(printable, (more.name, more.vendor, more.version))
            categories = more.sub_categories
        else:
            name, vendor, version, categories = printable(plain.name), "", "", b""
        known = tuple(filter(None, printable(categories).split("|")))
        return PluginClass(class_id, name, vendor or self._vendor(), version, known)

    @staticmethod
    def _read(ask: Callable[..., int], index: int, place: ctypes.Structure) -> bool:
        return ask(index, ctypes.byref(place)) == abi.OK

    def _vendor(self) -> str:
        info = abi.FactoryInfo()
        known = self._factory.get_info(ctypes.byref(info)) == abi.OK
        return printable(info.vendor) if known else ""

    def create(self, class_id: bytes, table: type[abi.Unknown]) -> PluginObject:
        """A new object of a class by one of its interfaces.

        Raises
        ------
        PluginError
            The factory makes none.
        """
        found = c_void_p()
        status = self._factory.create_instance(class_id, iid(table), ctypes.byref(found))
        if status != abi.OK or not found.value:
            kind = table.__name__.lower()
            raise PluginError(f"{self.bundle}: {class_id.hex().upper()}: no {kind} was created")
        return PluginObject(found.value, table)
