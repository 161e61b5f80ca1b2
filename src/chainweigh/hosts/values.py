"""Values asked of a plug-in's parameters: found by name, turned into plain numbers, read back."""

import difflib
import math
import re
from collections.abc import Mapping, Sequence

from chainweigh.errors import PluginError
from chainweigh.hosts.lifecycle import Instance
from chainweigh.hosts.records import SCALED, SWITCH, ParameterValue, PluginParameter, Requested

OFF_BY = 0.01  # of the range: further off than any plug-in's own resolution, so it was clamped
_BY_ID = re.compile(r"id:(\d+)")
_QUANTITY = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([^\d\s.].*?)?\s*")


def find_parameter(parameters: Sequence[PluginParameter], name: str) -> PluginParameter:
    """The settable parameter of a name, or of `id:N`.

    Raises
    ------
    PluginError
        Unknown (the closest are listed), shared by several, or not settable.
    """
    by_id = _BY_ID.fullmatch(name)
    found = [p for p in parameters if (p.id == int(by_id[1]) if by_id else p.name == name)]
    if not found:
        known = [p.name for p in parameters if p.settable]
        close = difflib.get_close_matches(name, known, n=3, cutoff=0.4)
        hint = f"did you mean {', '.join(close)}?" if close else f"known: {', '.join(known)}"
        raise PluginError(f'unknown parameter "{name}"; {hint}')
    if len(found) > 1:
        ids = " or ".join(f'"id:{p.id}"' for p in found)
        raise PluginError(f'{len(found)} parameters are called "{name}"; write {ids}')
    if not found[0].settable:
        raise PluginError(f'parameter "{name}" cannot be set ({", ".join(found[0].flags)})')
    return found[0]


def quantity(text: str) -> tuple[float, str] | None:
    """Number and unit of a display text such as "1.5 dB"; None where it is no number."""
    match = _QUANTITY.fullmatch(text)
    return (float(match[1]), match[2] or "") if match else None


def check_number(parameter: PluginParameter, value: float) -> float:
    """Refuse a plain value the parameter cannot hold.

    Raises
    ------
    PluginError
        Not finite, out of range, or between two steps.
    """
    low, high = parameter.minimum, parameter.maximum
    said = f'parameter "{parameter.name}": {value:.10g}'
    if not math.isfinite(value):
        raise PluginError(f"{said} is not a finite number")
    if (low is not None and value < low) or (high is not None and value > high):
        raise PluginError(f"{said} is out of range; allowed: {allowed(parameter)}")
    if parameter.steps is not None and not float(value - (low or 0.0)).is_integer():
        raise PluginError(f"{said} lies between two steps; allowed: {allowed(parameter)}")
    return value


def allowed(parameter: PluginParameter) -> str:
    """What a parameter takes, in words."""
    if parameter.choices:
        return ", ".join(f'"{choice}"' for choice in parameter.choices)
    low, high = parameter.minimum, parameter.maximum
    unit = f" {parameter.unit}" if parameter.unit and SCALED not in parameter.flags else ""
    whole = "whole numbers " if parameter.steps is not None else ""
    if low is None or high is None:
        if low is None and high is None:
            return f"any number{unit}"
        return f"at most {high:g}{unit}" if low is None else f"at least {low:g}{unit}"
    return f"{whole}{low:g} to {high:g}{unit}"


def known_plain(parameter: PluginParameter, requested: Requested) -> float | None:
    """Plain value that follows from the record alone; None where only the plug-in can tell.

    Raises
    ------
    PluginError
        A value the parameter cannot hold.
    """
    if isinstance(requested, bool):
        if SWITCH not in parameter.flags:
            raise PluginError(
                f'parameter "{parameter.name}" is no switch; allowed: {allowed(parameter)}'
            )
        return float(requested)
    if not isinstance(requested, str):
        return check_number(parameter, float(requested))
    wanted = requested.strip().casefold()
    for step, choice in enumerate(parameter.choices):
        if choice.casefold() == wanted:
            return (parameter.minimum or 0.0) + step
    found = quantity(requested)
    if found is None or parameter.choices or SCALED in parameter.flags:
        return None
    number, unit = found
    same = unit.casefold() == parameter.unit.casefold()
    return check_number(parameter, number) if same else None


def set_and_read_back(
    instance: Instance, requested: Mapping[int, Requested]
) -> tuple[ParameterValue, ...]:
    """Set an instance's parameters, id -> value asked for, and read what it made of them.

    Raises
    ------
    PluginError
        A value or text the parameter cannot hold, or one the plug-in changed.
    """
    parameters = {p.id: p for p in instance.parameters()}
    plain = {
        key: _plain(instance, parameters[key], value) for key, value in sorted(requested.items())
    }
    instance.set_values(plain)
    return tuple(
        _read_back(instance, parameters[key], requested[key], value) for key, value in plain.items()
    )


def _plain(instance: Instance, parameter: PluginParameter, requested: Requested) -> float:
    plain = known_plain(parameter, requested)
    if plain is not None:
        return plain
    text = str(requested)
    plain = instance.plain_of_text(parameter, text)
    if plain is None or not _shows(instance.displayed(parameter, plain), text):
        unit = f'; its unit is "{parameter.unit}"' if parameter.unit else ""
        raise PluginError(
            f'parameter "{parameter.name}" does not take "{text}"; allowed: '
            f"{allowed(parameter)}{unit}"
        )
    return check_number(parameter, plain)


def _shows(displayed: str, asked: str) -> bool:
    """Whether a displayed text says what was asked, to the digits displayed."""
    shown, wanted = quantity(displayed), quantity(asked)
    if shown is None or wanted is None:
        return displayed.strip().casefold() == asked.strip().casefold()
    if wanted[1] and wanted[1].casefold() != shown[1].casefold():
        return False
    digits = re.search(r"\.(\d+)", displayed)
    resolution = 10.0 ** -(len(digits[1]) if digits else 0)
    return abs(shown[0] - wanted[0]) <= max(resolution, OFF_BY * abs(wanted[0]))


def _read_back(
    instance: Instance, parameter: PluginParameter, requested: Requested, plain: float
) -> ParameterValue:
    actual = instance.actual(parameter)
    displayed = instance.displayed(parameter, actual)
    low, high = parameter.minimum, parameter.maximum
    span = high - low if low is not None and high is not None else max(abs(plain), 1e-9)
    if not math.isfinite(actual) or abs(actual - plain) > OFF_BY * span:
        raise PluginError(
            f'parameter "{parameter.name}": {plain:.10g} was asked for, the plug-in holds '
            f'{actual:.10g} ("{displayed}")'
        )
    return ParameterValue(parameter.id, parameter.name, requested, actual, displayed)
