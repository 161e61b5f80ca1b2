"""A VST 3 controller as its parameters need it."""

import ctypes
from collections.abc import Iterator
from ctypes import c_double
from typing import Any

from chainweigh.hosts import vst3_abi as abi
from chainweigh.hosts.normalised import NormalisedParameter
from chainweigh.hosts.records import BYPASS, PRESET, READ_ONLY
from chainweigh.hosts.vst3_com import PluginObject
from chainweigh.hosts.vst3_host import clean_text, utf16

_FLAGS = {abi.IS_READ_ONLY: READ_ONLY, abi.IS_BYPASS: BYPASS, abi.IS_PROGRAM: PRESET}


class Vst3Controller:
    """See `normalised.Controller`; without a controller there are no parameters."""

    def __init__(self, controller: PluginObject | None) -> None:
        self._controller: Any = controller

    def parameters(self) -> Iterator[NormalisedParameter]:
        """All but the hidden ones, which stand for MIDI controllers by the thousand."""
        for index in range(self._controller.count_parameters() if self._controller else 0):
            info = abi.ParameterInfo()
            status = self._controller.get_parameter(index, ctypes.byref(info))
            if status == abi.OK and not info.flags & abi.IS_HIDDEN:
                yield NormalisedParameter(
                    id=info.id,
                    name=clean_text(info.title),
                    unit=clean_text(info.units),
                    n_steps=max(info.n_steps, 0),
                    default=info.default,
                    is_list=bool(info.flags & abi.IS_LIST),
                    flags=tuple(name for bit, name in _FLAGS.items() if info.flags & bit),
                )

    def to_plain(self, parameter_id: int, normalised: float) -> float:
        """The plug-in's own plain value."""
        return float(self._controller.to_plain(parameter_id, normalised))

    def to_normalised(self, parameter_id: int, plain: float) -> float:
        """Back from its plain value."""
        return float(self._controller.to_normalised(parameter_id, plain))

    def get(self, parameter_id: int) -> float:
        """The value held."""
        return float(self._controller.get_normalised(parameter_id))

    def set(self, parameter_id: int, normalised: float) -> None:
        """Hold a value."""
        self._controller.set_normalised(parameter_id, normalised)

    def text(self, parameter_id: int, normalised: float) -> str:
        """Its text for a value; empty where it has none."""
        text = abi.String128()
        status = self._controller.get_text(parameter_id, normalised, ctypes.byref(text))
        return clean_text(text) if status == abi.OK else ""

    def value_of_text(self, parameter_id: int, text: str) -> float | None:
        """Its reading of a text; None where it does not know it."""
        asked, value = utf16(text), c_double()
        status = self._controller.get_value_of_text(
            parameter_id, ctypes.addressof(asked), ctypes.byref(value)
        )
        return value.value if status == abi.OK else None
