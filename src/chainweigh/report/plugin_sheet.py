"""Plug-ins in words: what a scan found, and every parameter of one."""

import textwrap
from collections.abc import Iterator, Sequence

from chainweigh.hosts.plugin import Plugin
from chainweigh.hosts.qualification import (
    CARE,
    FAULT,
    NOT_TESTED,
    SOUND,
    Qualification,
    Qualifications,
)
from chainweigh.hosts.records import SCALED, PluginParameter, PluginRecord
from chainweigh.hosts.scan import ScannedFile
from chainweigh.hosts.values import allowed
from chainweigh.report.formats import one_line

WIDTH = 88


def scan_text(files: Sequence[ScannedFile]) -> str:
    """How many plug-ins there are, and every file that could not be used, with the reason."""
    bad = [file for file in files if file.refusal or file.fault]
    n_plugins = sum(len(file.records) for file in files)
    lines = [f"{_count(n_plugins, 'plug-in')} in {_count(len(files) - len(bad), 'file')}"]
    if bad:
        lines.append(f"{_count(len(bad), 'file')} cannot be used:")
    for file in bad:
        reason = file.refusal or f"{file.path}: {file.fault}"
        lines += _wrapped(one_line(reason), "  - ")
    return "\n".join(lines)


def list_text(files: Sequence[ScannedFile], known: Qualifications) -> str:
    """One line a plug-in: how a chain file names it, its name, its verdict or why it is no use."""
    records = sorted(
        ((record, file.digest) for file in files for record in file.records),
        key=lambda found: (found[0].format, found[0].id),
    )
    width = max((len(one_line(_reference(record))) for record, _ in records), default=0)
    return "\n".join(
        f"{one_line(_reference(record)):{width}}  {one_line(_named(record))}"
        f"  ({_standing(record, digest, known)})"
        for record, digest in records
    )


def _standing(record: PluginRecord, digest: str, known: Qualifications) -> str:
    if record.refusal:
        return f"not usable: {record.refusal}"
    found = known.find(_reference(record), digest)
    return found.verdict if found else NOT_TESTED


def show_text(plugin: Plugin, known: Qualifications) -> str:
    """One plug-in with its verdict and every parameter: range or choices, unit, default."""
    return "\n".join(_lines(plugin, known))


def test_text(found: Qualification) -> str:
    """The verdict and a line a finding, those that matter first."""
    ranks = {FAULT: 0, CARE: 1, SOUND: 2, NOT_TESTED: 3}
    marks = {FAULT: "FAULT", CARE: "care", SOUND: "ok", NOT_TESTED: "-"}
    lines = [f"{one_line(found.reference)}: {found.verdict}"]
    for finding in sorted(found.findings, key=lambda f: ranks[f.grade]):
        start = f"  {marks[finding.grade]:6}"
        text = one_line(f"{finding.check}: {finding.text}")
        lines += textwrap.wrap(text, WIDTH, initial_indent=start, subsequent_indent=" " * 8)
    return "\n".join(lines)


def _lines(plugin: Plugin, known: Qualifications) -> Iterator[str]:
    record = plugin.record
    yield f"{one_line(plugin.reference)}: {one_line(_named(record))}"
    yield f"  {plugin.path}"
    if plugin.fault is not None:
        yield from _wrapped(one_line(f"cannot be used: {plugin.fault}"), "  ")
        return
    mono = "mono, run once a side" if record.n_inputs == 1 else "stereo"
    yield f"  {mono}; {_count(len(record.parameters), 'parameter')}"
    yield from (f"  {note}" for note in record.notes)
    found = known.find(plugin.reference, plugin.digest)
    yield from _wrapped(one_line(f"trust: {found.summary if found else NOT_TESTED}"), "  ")
    names = [parameter.name for parameter in record.parameters]
    for parameter in record.parameters:
        yield from _wrapped(_parameter(parameter, names.count(parameter.name) > 1), "  - ")


def _parameter(parameter: PluginParameter, shared: bool) -> str:
    key = f"id:{parameter.id} ({parameter.name})" if shared else parameter.name
    unit = f', shown in "{parameter.unit}"' if SCALED in parameter.flags and parameter.unit else ""
    flags = "" if parameter.settable else f"; cannot be set ({', '.join(parameter.flags)})"
    return one_line(f"{key}: {allowed(parameter)}{unit}; {_default(parameter)}{flags}")


def _default(parameter: PluginParameter) -> str:
    if parameter.default is None:
        return "no default stated"
    step = round(parameter.default - (parameter.minimum or 0.0))
    if parameter.choices and 0 <= step < len(parameter.choices):
        return f'"{parameter.choices[step]}" unless given'
    return f"{parameter.default:.6g} unless given"


def _reference(record: PluginRecord) -> str:
    return f"{record.format}:{record.id}"


def _named(record: PluginRecord) -> str:
    return ", ".join(text for text in (record.name, record.vendor, record.version) if text)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _wrapped(text: str, start: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=start, subsequent_indent=" " * len(start))
