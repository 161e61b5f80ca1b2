"""chainweigh plugins scan | list | show | test."""

from pathlib import Path

import click

from chainweigh.cli import options
from chainweigh.errors import PluginError
from chainweigh.hosts.find import find_plugin
from chainweigh.hosts.places import FORMATS, plugin_files, plugin_folders
from chainweigh.hosts.qualification import UNTRUSTED, Qualifications
from chainweigh.hosts.records import Requested
from chainweigh.hosts.scan import Scan
from chainweigh.report.plugin_sheet import list_text, scan_text, show_text, test_text


@click.group("plugins")
def command() -> None:
    """Find the plug-ins of this computer (LADSPA, CLAP, LV2, VST3) and say what they take."""


@command.command("scan")
@click.option(
    "--path",
    "paths",
    multiple=True,
    type=click.Path(exists=True, path_type=Path),
    help="Another folder or plug-in file to look at; may be given more than once.",
)
@click.option("--again", is_flag=True, help="Also load files that have not changed since.")
@options.json_option
@options.quiet_option
def scan(paths: tuple[Path, ...], again: bool, as_json: bool, quiet: bool) -> None:
    """Load every plug-in file of the standard folders once, each in a process of its own.

    What is found is kept until a file changes, failures too.
    """
    known = Scan.at_default_place()
    files = list(plugin_files(paths))
    with options.progress_bar(len(files), quiet=quiet) as progress:
        found = known.describe_all(files, again=again, progress=lambda name: progress(1, name))
    if as_json:
        options.echo_json(found)
        return
    click.echo(scan_text(found))
    for name in FORMATS:
        standard = plugin_folders(name)
        if standard:  # this system has the format
            folders = ", ".join(map(str, (*paths, *standard)))
            options.say(f"{name.upper()} looked for in {folders}", quiet=quiet)


@command.command("list")
@options.json_option
def list_plugins(as_json: bool) -> None:
    """Every plug-in known from scans, as a chain file names it."""
    files = Scan.at_default_place().files()
    if as_json:
        options.echo_json(files)
        return
    if not any(file.records for file in files):
        raise PluginError("no plug-in is known; `chainweigh plugins scan` looks for them")
    click.echo(list_text(files, Qualifications.at_default_place()))


@command.command("show")
@click.argument("plugin_id", metavar="ID")
@options.json_option
def show(plugin_id: str, as_json: bool) -> None:
    """Every parameter of a plug-in: range or choices, unit, default.

    ID is FORMAT:ID as `list` prints it, a path, or path#ID.
    """
    plugin = find_plugin(plugin_id, Path.cwd(), Scan.at_default_place())
    if as_json:
        options.echo_json(plugin)
        return
    click.echo(show_text(plugin, Qualifications.at_default_place()))


@command.command("test")
@click.argument("plugin_id", metavar="ID")
@click.option(
    "--set",
    "settings",
    multiple=True,
    metavar="NAME=VALUE",
    help="A parameter to test it with, the rest at default; may be given more than once.",
)
@options.json_option
@options.quiet_option
def test(plugin_id: str, settings: tuple[str, ...], as_json: bool, quiet: bool) -> None:
    """Find out whether a plug-in can be trusted in a ranking, and why.

    Latency, repetition, block lengths, drop-outs, silence, rates, parameters, memory and more are
    looked at, about ten seconds long, in a process of its own. The verdict with default settings
    is kept until the file changes and stands beside every ranked chain that uses it. Exit code 3
    where it is not to be trusted.
    """
    from chainweigh.hosts.battery import CHECKS, qualify

    plugin = find_plugin(plugin_id, Path.cwd(), Scan.at_default_place())
    given = dict(_setting(text) for text in settings)
    with options.progress_bar(len(CHECKS), quiet=quiet) as progress:
        found = qualify(plugin, given, progress=lambda check: progress(1, check))
    Qualifications.at_default_place().keep(found)
    if as_json:
        options.echo_json({"verdict": found.verdict, "qualification": found})
    else:
        click.echo(test_text(found))
    if given:
        options.say("With settings of its own the verdict is not kept.", quiet=quiet)
    if found.verdict == UNTRUSTED:
        raise SystemExit(options.EXIT_SOME_FAILED)


def _setting(text: str) -> tuple[str, Requested]:
    name, equals, value = text.partition("=")
    if not equals:
        raise click.UsageError(f'--set "{text}" is not NAME=VALUE')
    try:
        return name, float(value)
    except ValueError:
        return name, {"true": True, "false": False}.get(value, value)
