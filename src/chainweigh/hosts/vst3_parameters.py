"""The parameters of a VST 3 controller: normalised values behind plain ones and texts.

The plain value of a continuous parameter is the plug-in's own, or the normalised one where it has
none; that of a stepped one counts its steps, from the plug-in's own lowest value where that counts
them too, else from 0.
"""

import ctypes
import math
from collections.abc import Iterator
from ctypes import c_double
from dataclasses import replace
from typing import Any

from chainweigh.hosts import vst3_abi as abi
from chainweigh.hosts.records import (
    BYPASS,
    HIDDEN,
    PRESET,
    READ_ONLY,
    SCALED,
    SWITCH,
    PluginParameter,
)
from chainweigh.hosts.texts import MAX_CHOICES, choices_of, unit_of
from chainweigh.hosts.values import quantity
from chainweigh.hosts.vst3_com import PluginObject
from chainweigh.hosts.vst3_host import clean_text, utf16

_FLAGS = {
    abi.IS_HIDDEN: HIDDEN,
    abi.IS_READ_ONLY: READ_ONLY,
    abi.IS_BYPASS: BYPASS,
    abi.IS_PROGRAM: PRESET,
}


class Parameters:
    """The parameters of a controller; none where there is no controller."""

    def __init__(self, controller: PluginObject | None) -> None:
        self._controller: Any = controller
        self._units: dict[int, str] = {}
        self._without_plain: set[int] = set()
        self.records = tuple(map(self._described, self._infos())) if controller else ()

    def _infos(self) -> Iterator[abi.ParameterInfo]:
        """All but the hidden ones, which stand for MIDI controllers by the thousand."""
        for index in range(self._controller.count_parameters()):
            info = abi.ParameterInfo()
            status = self._controller.get_parameter(index, ctypes.byref(info))
            if status == abi.OK and not info.flags & abi.IS_HIDDEN:
                yield info

    def _described(self, info: abi.ParameterInfo) -> PluginParameter:
        self._units[info.id] = clean_text(info.units)
        n_steps = max(int(info.n_steps), 0)
        low, high = (float(self._controller.to_plain(info.id, end)) for end in (0.0, 1.0))
        if n_steps and (high - low != n_steps or not low.is_integer()):
            low, high = 0.0, float(n_steps)
        if not (math.isfinite(low) and math.isfinite(high) and low != high):
            self._without_plain.add(info.id)
            low, high = 0.0, 1.0
        bare = PluginParameter(
            id=info.id,
            name=clean_text(info.title),
            minimum=min(low, high),
            maximum=max(low, high),
            steps=n_steps or None,
            flags=tuple(name for bit, name in _FLAGS.items() if info.flags & bit),
        )
        return self._with_texts(bare, float(info.default), bool(info.flags & abi.IS_LIST))

    def _with_texts(self, bare: PluginParameter, default: float, is_list: bool) -> PluginParameter:
        """The record with its default and what only the texts tell."""
        low, high = bare.minimum or 0.0, bare.maximum or 0.0
        start, n_steps = self.plain(bare, default), bare.steps or 0
        is_switch, is_short = n_steps == 1 and not is_list, 0 < n_steps < MAX_CHOICES
        values = [low + step for step in range(n_steps + 1)] if is_short else [low, start, high]
        texts = [self.shown(bare, value) for value in values]
        unit, scaled = unit_of(zip(texts, values, strict=True))
        choices = choices_of(texts, numbers_too=is_list and scaled) if is_short else ()
        if is_switch and not choices:
            choices = ("off", "on")
        if choices:
            unit, scaled = "", False
        added = [name for name, is_so in ((SWITCH, is_switch), (SCALED, scaled)) if is_so]
        unit = unit or ("" if choices else self._units[bare.id])
        return replace(bare, unit=unit, default=start, choices=choices, flags=(*bare.flags, *added))

    def plain(self, parameter: PluginParameter, normalised: float) -> float:
        """Plain value of a normalised one."""
        if parameter.steps:
            return (parameter.minimum or 0.0) + round(normalised * parameter.steps)
        if parameter.id in self._without_plain:
            return normalised
        return float(self._controller.to_plain(parameter.id, normalised))

    def normalised(self, parameter: PluginParameter, plain: float) -> float:
        """Normalised value of a plain one."""
        if parameter.steps:
            return (plain - (parameter.minimum or 0.0)) / parameter.steps
        if parameter.id in self._without_plain:
            return plain
        found = float(self._controller.to_normalised(parameter.id, plain))
        return min(max(found, 0.0), 1.0)

    def set(self, parameter_id: int, normalised: float) -> None:
        """Set what the controller holds."""
        self._controller.set_normalised(parameter_id, normalised)

    def held(self, parameter: PluginParameter) -> float:
        """Plain value the controller holds."""
        return self.plain(parameter, float(self._controller.get_normalised(parameter.id)))

    def shown(self, parameter: PluginParameter, plain: float) -> str:
        """The plug-in's own text, with its unit."""
        text = abi.String128()
        normalised = self.normalised(parameter, plain)
        status = self._controller.get_text(parameter.id, normalised, ctypes.byref(text))
        if status != abi.OK:
            return ""
        said, unit = clean_text(text), self._units[parameter.id]
        found = quantity(said)
        return f"{said} {unit}" if unit and found and not found[1] else said

    def plain_of_text(self, parameter: PluginParameter, text: str) -> float | None:
        """The plug-in's own reading of a text; the unit it states itself is left out."""
        found = quantity(text)
        if found and found[1].casefold() == self._units[parameter.id].casefold():
            text = text.strip()[: len(text.strip()) - len(found[1])].strip()
        asked, value = utf16(text), c_double()
        status = self._controller.get_value_of_text(
            parameter.id, ctypes.addressof(asked), ctypes.byref(value)
        )
        known = status == abi.OK and 0 <= value.value <= 1
        return self.plain(parameter, value.value) if known else None
