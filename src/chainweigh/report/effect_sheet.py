"""What every built-in effect and parameter does, in words and as data, from their own records."""

import math
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from chainweigh.chain.values import format_value
from chainweigh.effects.base import Effect, Kind, Parameter, Setting, allowed

WIDTH = 88
RELATIVE = ' or relative, such as "hits - 3 dB"'
_BARE = (Kind.RATIO, Kind.COUNT, Kind.CHOICE, Kind.SWITCH)


@dataclass(frozen=True)
class ParameterSheet:
    """One parameter. `unit` is None for bare values; `default` None where it must be given."""

    name: str
    unit: str | None
    minimum: float | None
    maximum: float | None
    choices: tuple[Setting, ...]
    default: Setting | None
    about: str


@dataclass(frozen=True)
class EffectSheet:
    """One effect: what it does, its parameters, what else to know, and the published method."""

    name: str
    about: str
    parameters: tuple[ParameterSheet, ...]
    notes: str
    source: str


def effect_sheet(effect: Effect) -> EffectSheet:
    """An effect's record as data."""
    parameters = tuple(
        ParameterSheet(
            name=p.name,
            unit=None if p.kind in _BARE else p.kind.value,
            minimum=p.minimum,
            maximum=None if p.maximum == math.inf else p.maximum,
            choices=p.choices,
            default=p.default,
            about=p.about,
        )
        for p in effect.parameters
    )
    return EffectSheet(effect.name, effect.about, parameters, effect.notes, effect.source)


def effects_text(effects: Sequence[Effect]) -> str:
    """The effects in words, for a terminal."""
    return "\n\n".join("\n".join(_lines(effect)) for effect in effects)


def _lines(effect: Effect) -> Iterator[str]:
    yield effect.name
    yield from _wrapped(effect.about, "  ")
    for parameter in effect.parameters:
        yield from _wrapped(f"{parameter.name}: {_values(parameter)}", "  - ")
        yield from _wrapped(parameter.about, "    ")
    yield from _wrapped(effect.notes, "  ")
    yield from _wrapped(f"Method: {effect.source}", "  ")


def _values(parameter: Parameter) -> str:
    relative = RELATIVE if parameter.kind is Kind.LEVEL else ""
    if parameter.default is None:
        return f"{allowed(parameter)}{relative}; must be given"
    default = format_value(parameter.kind, parameter.default)
    if isinstance(default, bool):
        default = str(default).lower()
    elif isinstance(default, float):
        default = f"{default:.4g}"
    return f"{allowed(parameter)}{relative}; {default} unless given"


def _wrapped(text: str, start: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=start, subsequent_indent=" " * len(start))
