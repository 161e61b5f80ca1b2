"""What LADSPA and LV2 share: an instance is a handle with memory connected to numbered ports."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainweigh.errors import PluginError
from chainweigh.hosts.lifecycle import Instance
from chainweigh.hosts.records import PluginRecord


class PortedInstance(Instance):
    """An instance of a descriptor with instantiate, connect_port, activate, run and so on.

    `_controls` holds a number a port, parameters at their start; ids of parameters that are ports
    are the ports' indices.
    """

    def __init__(
        self, record: PluginRecord, sample_rate_hz: int, descriptor: Any, handle: Any, n_ports: int
    ) -> None:
        super().__init__(record, sample_rate_hz)
        if not handle:
            raise PluginError(f"{record.id}: refuses {sample_rate_hz} Hz: no instance was created")
        self._descriptor, self._handle = descriptor, handle
        self._controls = np.zeros(n_ports, dtype=np.float32)
        for parameter in record.parameters:
            if parameter.id < n_ports:
                self._controls[parameter.id] = parameter.start

    def _connect(self, port: int, memory: NDArray[Any]) -> None:
        self._descriptor.connect_port(self._handle, port, memory.ctypes.data)

    def _start(self) -> None:
        if self._descriptor.activate:  # the formats allow it to be null, and deactivate too
            self._descriptor.activate(self._handle)

    def _frames_at(self, port: int) -> int:
        """Latency a control output holds; negative where that is no number."""
        reported = float(self._controls[port])
        return round(reported) if math.isfinite(reported) else -1

    def _tail_frames(self) -> int | None:
        return None  # neither format tells

    def _deactivate(self) -> None:
        if self._descriptor.deactivate:
            self._descriptor.deactivate(self._handle)

    def _destroy(self) -> None:
        self._descriptor.cleanup(self._handle)
