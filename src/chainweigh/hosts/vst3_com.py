"""Objects across the VST 3 boundary: the plug-in's, which we call, and ours, which it calls.

An object is the address of a pointer to its interface's table of functions.
"""

import ctypes
import itertools
from collections.abc import Callable
from ctypes import c_void_p
from functools import partial
from threading import Lock
from typing import Any, ClassVar

from chainweigh.hosts import vst3_abi as abi


def iid(table: type[abi.Unknown]) -> bytes:
    """The interface's identifier as it lies in memory."""
    return bytes.fromhex(table.iid)


class PluginObject:
    """An object of the plug-in by one of its interfaces, whose functions are its attributes."""

    def __init__(self, address: int, table: type[abi.Unknown]) -> None:
        self.address = address
        self._table = table.from_address(c_void_p.from_address(address).value or 0)

    def __getattr__(self, name: str) -> Any:
        return partial(getattr(self._table, name), self.address)

    def query(self, table: type[abi.Unknown]) -> "PluginObject | None":
        """The same object by another interface; None where it has none."""
        found = c_void_p()
        status = self.query_interface(iid(table), ctypes.byref(found))
        return PluginObject(found.value, table) if status == abi.OK and found.value else None


class HostObject:
    """An object of ours; its methods have the names of its interface's functions.

    The tables live as long as the program, an object until everybody has released it: a plug-in
    that calls one which was collected crashes.
    """

    table: ClassVar[type[abi.Unknown]]
    _functions: ClassVar[abi.Unknown]
    _kept: ClassVar[dict[str, Any]]
    _alive: ClassVar[dict[int, "HostObject"]] = {}
    _counting: ClassVar[Lock] = Lock()

    def __init_subclass__(cls) -> None:
        bases = reversed(cls.table.__mro__)
        fields = itertools.chain(*(base.__dict__.get("_fields_", ()) for base in bases))
        cls._kept = {
            name: kind(_calling(name)) for name, kind in fields
        }  # a structure forgets some
        cls._functions = cls.table(**cls._kept)

    def __init__(self) -> None:
        self._pointer = c_void_p(ctypes.addressof(self._functions))
        self._n_owners = 1
        self._alive[self.address] = self

    @property
    def address(self) -> int:
        """Where it is, for the plug-in."""
        return ctypes.addressof(self._pointer)

    def query_interface(self, wanted: int, found: Any) -> int:
        """Its only interface."""
        if ctypes.string_at(wanted, 16) not in (iid(self.table), iid(abi.Unknown)):
            found[0] = None
            return abi.NO_INTERFACE
        found[0] = self.address
        self.add_ref()
        return abi.OK

    def add_ref(self) -> int:
        """One more owner."""
        return self._owners_after(1)

    def release(self) -> int:
        """One owner fewer; the last one frees it."""
        n_owners = self._owners_after(-1)
        if n_owners == 0:
            del self._alive[self.address]
        return n_owners

    def _owners_after(self, change: int) -> int:
        with self._counting:  # a plug-in may count from several threads
            self._n_owners += change
            return self._n_owners


def _calling(name: str) -> Callable[..., Any]:
    def call(this: int, *arguments: Any) -> Any:
        return getattr(HostObject._alive[this], name)(*arguments)

    return call
