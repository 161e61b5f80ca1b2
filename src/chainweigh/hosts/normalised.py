"""Parameters that run from 0 to 1 inside a plug-in, behind plain values and texts.

The plain value of a continuous parameter is the plug-in's own, the normalised one where that is no
number; that of a stepped one counts its steps, from the plug-in's own lowest value where that
counts them too, else from 0.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Protocol

from chainweigh.hosts.records import SCALED, SWITCH, PluginParameter
from chainweigh.hosts.texts import MAX_CHOICES, choices_of, unit_of
from chainweigh.hosts.values import quantity


@dataclass(frozen=True)
class NormalisedParameter:
    """A parameter as the plug-in describes it. `n_steps` is 0 where it is continuous."""

    id: int
    name: str
    unit: str
    n_steps: int
    default: float
    is_list: bool
    flags: tuple[str, ...]


class Controller(Protocol):
    """What names, converts, displays and holds normalised values."""

    def parameters(self) -> Iterable[NormalisedParameter]:
        """All that a user may know of."""

    def to_plain(self, parameter_id: int, normalised: float, /) -> float:
        """The plug-in's own plain value."""

    def to_normalised(self, parameter_id: int, plain: float, /) -> float:
        """Back from its plain value."""

    def text(self, parameter_id: int, normalised: float, /) -> str:
        """Its text for a value; empty where it has none."""

    def value_of_text(self, parameter_id: int, text: str, /) -> float | None:
        """Its reading of a text; None where it does not know it."""

    def get(self, parameter_id: int, /) -> float:
        """The value held."""

    def set(self, parameter_id: int, normalised: float, /) -> object:
        """Hold a value."""


class Parameters:
    """The parameters of a controller, as records and in plain values."""

    def __init__(self, controller: Controller) -> None:
        self._controller = controller

    def records(self) -> tuple[PluginParameter, ...]:
        """All of them; many texts are asked for."""
        return tuple(map(self._described, self._controller.parameters()))

    def _described(self, known: NormalisedParameter) -> PluginParameter:
        low, high = (self._own_plain(known.id, end) for end in (0.0, 1.0))
        if known.n_steps and (high - low != known.n_steps or not low.is_integer()):
            low, high = 0.0, float(known.n_steps)
        bare = PluginParameter(
            id=known.id,
            name=known.name,
            unit=known.unit,
            minimum=min(low, high),
            maximum=max(low, high),
            steps=known.n_steps or None,
            flags=known.flags,
        )
        start = self.plain(bare, known.default)
        return self._with_texts(replace(bare, default=start), start, known.is_list)

    def _with_texts(self, bare: PluginParameter, start: float, is_list: bool) -> PluginParameter:
        """The record with what only the texts tell."""
        low, high, n_steps = bare.minimum or 0.0, bare.maximum or 0.0, bare.steps or 0
        is_switch, is_short = n_steps == 1 and not is_list, 0 < n_steps < MAX_CHOICES
        values = [low + step for step in range(n_steps + 1)] if is_short else [low, start, high]
        texts = [self.shown(bare, value) for value in values]
        unit, scaled = unit_of(zip(texts, values, strict=True))
        choices = choices_of(texts, numbers_too=is_list and scaled) if is_short else ()
        if is_switch and not choices:
            choices = ("off", "on")
        scaled = scaled and not choices
        added = [name for name, is_so in ((SWITCH, is_switch), (SCALED, scaled)) if is_so]
        unit = "" if choices else unit or bare.unit
        return replace(bare, unit=unit, choices=choices, flags=(*bare.flags, *added))

    def plain(self, parameter: PluginParameter, normalised: float) -> float:
        """Plain value of a normalised one."""
        if parameter.steps:
            return (parameter.minimum or 0.0) + round(normalised * parameter.steps)
        return self._own_plain(parameter.id, normalised)

    def _own_plain(self, parameter_id: int, normalised: float) -> float:
        found = float(self._controller.to_plain(parameter_id, normalised))
        return found if math.isfinite(found) else normalised

    def normalised(self, parameter: PluginParameter, plain: float) -> float:
        """Normalised value of a plain one."""
        if parameter.steps:
            return (plain - (parameter.minimum or 0.0)) / parameter.steps
        found = float(self._controller.to_normalised(parameter.id, plain))
        return min(max(found if math.isfinite(found) else plain, 0.0), 1.0)

    def set(self, parameter_id: int, normalised: float) -> None:
        """Set what the controller holds."""
        self._controller.set(parameter_id, normalised)

    def held(self, parameter: PluginParameter) -> float:
        """Plain value the controller holds."""
        return self.plain(parameter, float(self._controller.get(parameter.id)))

    def displayed(self, parameter: PluginParameter, plain: float) -> str:
        """The choice, or the plug-in's own text."""
        if parameter.choices:
            return parameter.choices[round(plain - (parameter.minimum or 0.0))]
        return self.shown(parameter, plain) or f"{plain:.10g}"

    def shown(self, parameter: PluginParameter, plain: float) -> str:
        """The plug-in's own text, with its unit."""
        said = self._controller.text(parameter.id, self.normalised(parameter, plain))
        found = quantity(said)
        return f"{said} {parameter.unit}".rstrip() if found and not found[1] else said

    def plain_of_text(self, parameter: PluginParameter, text: str) -> float | None:
        """The plug-in's own reading of a text, first without its unit, which many leave out."""
        text, found = text.strip(), quantity(text)
        texts = [text]
        if found and found[1] and found[1].casefold() == parameter.unit.casefold():
            texts.insert(0, text[: -len(found[1])].strip())
        read = (self._controller.value_of_text(parameter.id, each) for each in texts)
        value = next((each for each in read if each is not None and 0 <= each <= 1), None)
        return None if value is None else self.plain(parameter, value)
