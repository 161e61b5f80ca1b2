"""The `chainweigh` command: its sub-commands load when they are called."""

from importlib import import_module
from typing import Any

import click

from chainweigh import __version__
from chainweigh.errors import ChainweighError

COMMANDS = {
    "rank": "Weigh chains on a song's stem groups and master, pick the best set, report.",
    "apply": "Put a recipe's winning set on other songs, measured again.",
    "report": "Build a run's report again.",
    "bench": "Distortion, noise, latency and response of one chain on test tones.",
    "measure": "Loudness, peaks and levels of audio files.",
    "chains": "List, show and check chain files.",
    "plugins": "Find plug-ins (LADSPA, CLAP, LV2, VST3), show their parameters, test them.",
}


class Commands(click.Group):
    """Sub-commands by name, imported on use; errors a user can mend end with exit code 1."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The sub-command of that name."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(f"chainweigh.cli.{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands, without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> Any:
        """Run, turning a chainweigh error into one line on stderr."""
        try:
            return super().invoke(ctx)
        except ChainweighError as error:
            raise click.ClickException(str(error)) from error
        except KeyboardInterrupt:
            message = "stopped; nothing half-written is left, finished renders stay in the cache"
            raise click.ClickException(message) from None


@click.command(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="chainweigh", message="%(prog)s %(version)s")
def main() -> None:
    """Weigh processing chains: how much louder they let a song be, against how much they distort.

    Exit codes: 0 ok, 1 error, 2 usage, 3 some candidates failed.
    """
