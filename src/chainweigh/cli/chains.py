"""chainweigh chains list | show | validate | effects."""

from pathlib import Path

import click

from chainweigh.chain.chain import Chain
from chainweigh.chain.files import load_chain, load_chains, shipped_chains_folder
from chainweigh.cli import options
from chainweigh.effects import NAMES, effect
from chainweigh.errors import ChainFileError
from chainweigh.report.effect_sheet import effect_sheet, effects_text

folder_option = click.option(
    "--chains",
    "folder",
    type=click.Path(path_type=Path),
    help="Folder of chain files; the shipped chains without it.",
)


@click.group("chains")
def command() -> None:
    """List, show and check chain files; what effects there are."""


@command.command("list")
@folder_option
@options.json_option
def list_chains(folder: Path | None, as_json: bool) -> None:
    """Name, scope and purpose of every chain; a sweep counts as one chain a value."""
    chains = load_chains(folder or shipped_chains_folder())
    if as_json:
        options.echo_json([_table(chain) for chain in chains])
        return
    width = max(len(chain.name) for chain in chains)
    for chain in chains:
        click.echo(f"{chain.scope:6}  {chain.name:{width}}  {chain.about}")


@command.command("show")
@click.argument("name")
@folder_option
@options.json_option
def show(name: str, folder: Path | None, as_json: bool) -> None:
    """Stages and settings of one chain, defaults included."""
    chains = load_chains(folder or shipped_chains_folder())
    found = [chain for chain in chains if chain.name == name]
    if not found:
        raise ChainFileError(f'no chain "{name}"; there are: {", ".join(c.name for c in chains)}')
    if as_json:
        options.echo_json(_table(found[0]))
        return
    click.echo(f"{found[0].name} ({found[0].scope})\n{found[0].about}")
    for number, stage in enumerate(found[0].stages, start=1):
        click.echo(f"\n{number}. {stage.name}: {stage.about}")
        for key, value, is_default, about in stage.sheet():
            text = f"{value:.4g}" if isinstance(value, float) else value
            click.echo(f"   {key} = {text}{'  (default)' if is_default else ''}: {about}")


@command.command("validate")
@click.argument("paths", metavar="PATH...", nargs=-1, required=True)
@options.json_option
def validate(paths: tuple[str, ...], as_json: bool) -> None:
    """Check chain files or folders of them; the first error ends it."""
    counts = {path: len(_load(Path(path))) for path in paths}
    if as_json:
        options.echo_json([{"path": path, "n_chains": count} for path, count in counts.items()])
        return
    for path, count in counts.items():
        click.echo(f"{path}: ok, {count} chain{'' if count == 1 else 's'}")


@command.command("effects")
@click.argument("name", required=False)
@options.json_option
def effects(name: str | None, as_json: bool) -> None:
    """What every built-in effect and parameter does: unit, range, default, source.

    NAME is one effect; all of them without it.
    """
    found = [effect(each) for each in ((name,) if name else NAMES)]
    if as_json:
        sheets = [effect_sheet(each) for each in found]
        options.echo_json(sheets[0] if name else sheets)
        return
    click.echo(effects_text(found))


def _load(path: Path) -> tuple[Chain, ...]:
    return load_chains(path) if path.is_dir() else load_chain(path)


def _table(chain: Chain) -> dict[str, object]:
    stages = [stage.table() for stage in chain.stages]
    return {"name": chain.name, "scope": chain.scope, "about": chain.about, "stage": stages}
