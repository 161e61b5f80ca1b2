"""Values of a chain file: text with a unit to a number in the unit code works in, and back."""

import math
import re
from dataclasses import dataclass
from typing import TypeVar

from chainweigh.effects.base import Kind, Parameter, Setting
from chainweigh.errors import ChainFileError

LEVEL_NAMES = ("peak", "hits", "rms", "loudness")
ENDLESS = "inf"  # a ratio without end; JSON has no such number

_UNITS: dict[Kind, dict[str, float]] = {
    Kind.LEVEL: {"dBFS": 1.0},
    Kind.GAIN: {"dB": 1.0},
    Kind.TIME: {"ms": 1.0, "s": 1000.0},
    Kind.FREQUENCY: {"Hz": 1.0, "kHz": 1000.0},
    Kind.SHARE: {"%": 1.0},
    Kind.OCTAVES: {"oct": 1.0},
    Kind.SLOPE: {"dB/oct": 1.0},
}
_HINTS = {
    Kind.LEVEL: ', or a level such as "peak - 3 dB"',
    Kind.TIME: ', or a note value such as "1/16"',
}
_T = TypeVar("_T", bool, str, int, float)
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)"
_QUANTITY = re.compile(rf"\s*({_NUMBER})\s*(\S.*?)?\s*")
_NOTE = re.compile(r"\s*(\d+)\s*/\s*(\d+)\s*")
_EXPRESSION = re.compile(r"\s*([A-Za-z_]+)\s*(?:([+-])\s*(\d+\.?\d*|\.\d+)\s*(\S.*?)?)?\s*")


@dataclass(frozen=True)
class LevelExpression:
    """A level relative to what reaches the stage: a named level plus an offset in dB."""

    name: str
    offset_db: float

    def __str__(self) -> str:
        """As written in a chain file, for example peak - 3 dB."""
        if self.offset_db == 0:
            return self.name
        sign = "-" if self.offset_db < 0 else "+"
        return f"{self.name} {sign} {abs(self.offset_db):g} dB"


@dataclass(frozen=True)
class NoteValue:
    """A time as a share of a whole note, which lasts four quarter notes; BPM counts quarter notes.

    `tempo_bpm` is that of the song the value is used in, None until there is one.
    """

    n_parts: int
    parts_per_note: int
    tempo_bpm: float | None = None

    def __str__(self) -> str:
        """As written in a chain file, for example 1/16."""
        return f"{self.n_parts}/{self.parts_per_note}"

    @property
    def time_ms(self) -> float | None:
        """How long it lasts, to 0.001 ms; None without a tempo."""
        if self.tempo_bpm is None:
            return None
        whole_note_ms = 4 * 60_000 / self.tempo_bpm
        return round(whole_note_ms * self.n_parts / self.parts_per_note, 3)


RelativeValue = LevelExpression | NoteValue
Value = Setting | RelativeValue


def parse_value(parameter: Parameter, value: object) -> Value:
    """One value of a chain file, in the unit of its parameter's kind.

    Raises
    ------
    ChainFileError
        Wrong type, unknown unit or unknown level; the text says what is allowed.
    """
    kind = parameter.kind
    if kind is Kind.SWITCH:
        return _of_type(value, bool, "true or false")
    if kind is Kind.CHOICE:
        return _of_type(value, str, "text, one of " + ", ".join(map(str, parameter.choices)))
    if kind is Kind.COUNT:
        return _of_type(value, int, "a whole number without a unit")
    if kind is Kind.RATIO:
        number = math.inf if value == ENDLESS else value
        return _of_type(number, float, f'a number without a unit, or "{ENDLESS}"')
    text = _of_type(value, str, f'text with a unit, such as "{_example(kind)}"')
    return _parse_quantity(kind, text)


def _of_type(value: object, wanted: type[_T], allowed: str) -> _T:
    if wanted is float and isinstance(value, int) and not isinstance(value, bool):
        return wanted(value)
    if type(value) is not wanted:
        raise ChainFileError(f"{value!r} is not {allowed}")
    return value


def _example(kind: Kind) -> str:
    return {Kind.LEVEL: "peak - 3 dB", Kind.TIME: "5 ms", Kind.FREQUENCY: "120 Hz"}.get(
        kind, f"3 {kind.value}"
    )


def _parse_quantity(kind: Kind, text: str) -> Value:
    units = _UNITS[kind]
    if kind is Kind.TIME and (note := _NOTE.fullmatch(text)):
        return _parse_note(text, *map(int, note.groups()))
    match = _QUANTITY.fullmatch(text)
    if match is None:
        if kind in (Kind.LEVEL, Kind.GAIN):
            return parse_level(text)
        raise ChainFileError(f'"{text}" is not a number with a unit, such as "{_example(kind)}"')
    number, unit = match.groups()
    if unit not in units:
        known = " or ".join(units)
        hint = _HINTS.get(kind, "")
        said = f'unit "{unit}" is not known here' if unit else "it has no unit"
        raise ChainFileError(f'"{text}": {said}; use {known}{hint}')
    return float(number) * units[unit]


def _parse_note(text: str, n_parts: int, parts_per_note: int) -> NoteValue:
    if n_parts == 0 or parts_per_note == 0:
        raise ChainFileError(f'"{text}" is not a note value, such as "1/16" or "3/8"')
    return NoteValue(n_parts, parts_per_note)


def parse_level(text: str) -> LevelExpression:
    """A level expression such as "peak - 3 dB".

    Raises
    ------
    ChainFileError
        Not of that form, an unknown level name or a unit other than dB.
    """
    match = _EXPRESSION.fullmatch(text)
    if match is None:
        raise ChainFileError(f'"{text}" is not a level; write "-6 dBFS" or "peak - 3 dB"')
    name, sign, number, unit = match.groups()
    if name not in LEVEL_NAMES:
        raise ChainFileError(f'"{text}": unknown level "{name}"; use {", ".join(LEVEL_NAMES)}')
    if number is None:
        return LevelExpression(name, 0.0)
    if unit != "dB":
        raise ChainFileError(f'"{text}": the offset needs the unit dB')
    return LevelExpression(name, float(sign + number))


def format_value(kind: Kind, value: Value) -> Setting:
    """A value as a chain file writes it: text with its unit, or the bare count, ratio or switch."""
    if isinstance(value, RelativeValue):
        return str(value)
    if kind in _UNITS:
        return f"{value:.10g} {kind.value}"
    return ENDLESS if value == math.inf else value
