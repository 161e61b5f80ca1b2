"""The audio buses of a VST 3 plug-in: how many channels they take, and memory for them."""

import ctypes
from collections.abc import Iterator, Sequence
from ctypes import POINTER, c_float, c_uint64
from dataclasses import dataclass
from typing import Any

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.hosts import vst3_abi as abi
from chainweigh.hosts.vst3_com import PluginObject

WAYS = (abi.INPUT, abi.OUTPUT)
ALIGNED_FRAMES = 4  # channels start at multiples of 16 bytes, as vector instructions may want


@dataclass(frozen=True)
class Bus:
    """One bus; only one of each direction is the main one."""

    n_channels: int
    is_main: bool
    starts_active: bool


def read_buses(component: PluginObject, way: int) -> list[Bus]:
    """The audio buses of a direction, in the plug-in's order."""
    infos = list(_infos(component, way))
    main = next((i for i, info in enumerate(infos) if info.bus_type == abi.MAIN), None)
    return [
        Bus(info.n_channels, index == main, bool(info.flags & abi.DEFAULT_ACTIVE))
        for index, info in enumerate(infos)
    ]


def _infos(component: PluginObject, way: int) -> Iterator[abi.BusInfo]:
    for index in range(component.count_buses(abi.AUDIO, way)):
        info = abi.BusInfo()
        component.get_bus(abi.AUDIO, way, index, ctypes.byref(info))
        yield info


def main_channels(buses: Sequence[Bus]) -> int:
    """Channels of the main bus; 0 where there is none."""
    return next((bus.n_channels for bus in buses if bus.is_main), 0)


def prefer_stereo(component: PluginObject, processor: PluginObject) -> None:
    """Ask for stereo through the main buses, else for mono; what it takes is read back."""
    for arrangement, n_channels in ((abi.STEREO, 2), (abi.MONO, 1)):
        buses = [read_buses(component, way) for way in WAYS]
        if not all(map(main_channels, buses)):
            return
        wanted = [_arrangements(processor, way, buses[way], arrangement) for way in WAYS]
        sizes = map(len, wanted)
        processor.set_bus_arrangements(wanted[0], next(sizes), wanted[1], next(sizes))
        if all(main_channels(read_buses(component, way)) == n_channels for way in WAYS):
            return


def _arrangements(processor: PluginObject, way: int, buses: Sequence[Bus], main: int) -> Any:
    """What to ask for: another main bus, the others as they are."""
    now = [c_uint64() for _ in buses]
    for index, place in enumerate(now):
        processor.get_bus_arrangement(way, index, ctypes.byref(place))
    asked = [main if bus.is_main else old.value for bus, old in zip(buses, now, strict=True)]
    return (c_uint64 * len(buses))(*asked)


class BusMemory:
    """Silent memory for the buses of a direction; `main` is that of the main bus."""

    def __init__(self, buses: Sequence[Bus], block_frames: int) -> None:
        self.n_buses = len(buses)
        n_row = -(-block_frames // ALIGNED_FRAMES) * ALIGNED_FRAMES
        self._arrays = [
            np.zeros((bus.n_channels, n_row), np.float32)[:, :block_frames] for bus in buses
        ]
        self._channels = [_pointers(array) for array in self._arrays]
        self.buffers = (abi.BusBuffers * max(len(buses), 1))()
        for bus, buffer, channels in zip(buses, self.buffers, self._channels, strict=False):
            buffer.n_channels, buffer.channels = bus.n_channels, channels
            buffer.silence_flags = 0 if bus.is_main else (1 << bus.n_channels) - 1
        self.main: Samples = next(
            a for bus, a in zip(buses, self._arrays, strict=True) if bus.is_main
        )


def _pointers(array: Samples) -> Any:
    pointers = (channel.ctypes.data_as(POINTER(c_float)) for channel in array)
    return (POINTER(c_float) * len(array))(*pointers)
