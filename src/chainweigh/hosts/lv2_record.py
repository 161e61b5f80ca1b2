"""From what a bundle says of a plug-in to its record: parameters, channels, why it is refused."""

import itertools
from dataclasses import replace

from chainweigh.hosts.lv2_atoms import is_number, is_whole
from chainweigh.hosts.lv2_host import FEATURES, OPTION_KEYS
from chainweigh.hosts.lv2_turtle import ATOM, CORE, Description, Port, Quantity
from chainweigh.hosts.records import (
    POINTS,
    PRESET,
    RATE_SCALED,
    SWITCH,
    PluginParameter,
    PluginRecord,
    audio_refusal,
)

FREE_WHEELING = CORE + "freeWheeling"
_ENABLED = CORE + "enabled"  # an inverted bypass: on unless the user says otherwise


def main_audio(described: Description, way: str) -> list[Port]:
    """Audio ports that carry the programme: neither side-chain nor optional."""
    return [
        port
        for port in described.ports
        if port.is_a("AudioPort", way) and not port.side_chain and not port.optional
    ]


def patch_port(described: Description) -> Port | None:
    """The atom input that takes messages to properties, the control port first."""
    found = [p for p in described.ports if p.handles_patch and p.is_a("InputPort")]
    return min(found, key=lambda p: p.designation != CORE + "control", default=None)


def settable(described: Description) -> list[str]:
    """URIs of the writable properties that hold a number, if there is a way to set them."""
    if patch_port(described) is None:
        return []
    return [uri for uri, held in described.properties.items() if is_number(held.atom_type)]


def lv2_record(described: Description, sample_rate_hz: int) -> PluginRecord:
    """The record, bounds at that sample rate."""
    n_in, n_out = (len(main_audio(described, way)) for way in ("InputPort", "OutputPort"))
    return PluginRecord(
        format="lv2",
        id=described.uri,
        name=described.name,
        vendor=described.vendor,
        version=described.version,
        n_inputs=n_in,
        n_outputs=n_out,
        parameters=_parameters(described, sample_rate_hz),
        notes=tuple(_notes(described, n_in)),
        refusal=_refusal(described, n_in, n_out),
    )


def _parameters(described: Description, sample_rate_hz: int) -> tuple[PluginParameter, ...]:
    controls = [
        _parameter(port.index, _started(port), sample_rate_hz)
        for port in described.ports
        if port.is_a("ControlPort", "InputPort") and port.designation != FREE_WHEELING
    ]
    properties = [
        _parameter(key, _from_state(described, uri), sample_rate_hz)
        for key, uri in enumerate(settable(described), start=len(described.ports))
    ]
    return (*controls, *properties, *_presets(described))


def preset_id(described: Description) -> int:
    """The parameter that loads a preset stands behind all others."""
    return len(described.ports) + len(settable(described))


def _presets(described: Description) -> tuple[PluginParameter, ...]:
    names = tuple(preset.name for preset in described.presets)
    if not names:
        return ()
    choices, last = ("none", *names), float(len(names))
    return (
        PluginParameter(
            preset_id(described), "Preset", "", 0.0, last, 0.0, len(names), choices, (PRESET,)
        ),
    )


def _started(port: Port) -> Quantity:
    is_enabled = port.designation == _ENABLED and port.quantity.default is None
    return replace(port.quantity, default=1.0) if is_enabled else port.quantity


def _from_state(described: Description, uri: str) -> Quantity:
    """A property with the default state's value where it has no default of its own."""
    held, state = described.properties[uri], described.default_state.get(uri)
    if held.default is not None or state is None or not is_number(state[0]):
        return held
    return replace(held, default=float(state[1]))


def _parameter(key: int, held: Quantity, sample_rate_hz: int) -> PluginParameter:
    if CORE + "toggled" in held.properties or held.atom_type == ATOM + "Bool":
        start = 1.0 if (held.default or 0.0) > 0 else 0.0
        return PluginParameter(key, held.name, "", 0.0, 1.0, start, 1, ("off", "on"), (SWITCH,))
    low, high, default = held.minimum, held.maximum, held.default
    choices = _choices(held)
    if choices:
        low, high = held.points[0][0], held.points[-1][0]
    by_rate = CORE + "sampleRate" in held.properties
    if by_rate:
        low, high, default = (
            None if value is None else value * sample_rate_hz for value in (low, high, default)
        )
    whole = choices or CORE + "integer" in held.properties or is_whole(held.atom_type)
    steps = round(high - low) if whole and low is not None and high is not None else None
    flags = (RATE_SCALED,) if by_rate else ()
    if held.points and not choices and CORE + "enumeration" in held.properties:
        flags = (*flags, POINTS)
    return PluginParameter(key, held.name, held.unit, low, high, default, steps, choices, flags)


def _choices(held: Quantity) -> tuple[str, ...]:
    """Names of an enumeration whose values rise by one; others are reached by name alone."""
    values = [value for value, _ in held.points]
    even = all(b - a == 1 for a, b in itertools.pairwise(values))
    if not values or not even or CORE + "enumeration" not in held.properties:
        return ()
    return tuple(text for _, text in held.points)


def _notes(described: Description, n_inputs: int) -> list[str]:
    inputs = [p for p in described.ports if p.is_a("InputPort") and p.is_a("AudioPort")]
    notes = ["its other inputs are fed silence"] if len(inputs) > n_inputs else []
    kept = [held.name for held in described.properties.values() if not is_number(held.atom_type)]
    if kept:
        notes.append(f"texts and files it may be given stay as they are: {', '.join(kept)}")
    return notes


def _refusal(described: Description, n_inputs: int, n_outputs: int) -> str | None:
    for what, missing in (
        ("feature", described.required - FEATURES),
        ("option", described.required_options - OPTION_KEYS),
    ):
        if missing:
            return f"it requires the host {what} {', '.join(sorted(missing))}, which is not offered"
    if CORE + "InstrumentPlugin" in described.kinds:
        return "it is an instrument, not an effect"
    known = {ATOM + "AtomPort", *(CORE + kind for kind in ("AudioPort", "ControlPort", "CVPort"))}
    strange = [p.symbol for p in described.ports if not (p.kinds & known or p.optional)]
    if strange:
        return f"the kind of its port {', '.join(strange)} is not known"
    return audio_refusal(n_inputs, n_outputs)
