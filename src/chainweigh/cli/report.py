"""chainweigh report RUN."""

from pathlib import Path

import click

from chainweigh.cli import options
from chainweigh.cli.listening_options import listening, listening_options
from chainweigh.measure.frames import Span
from chainweigh.report.outputs import DEFAULT_FORMATS, FORMATS, write_formats
from chainweigh.report.results_json import load_results, results_text
from chainweigh.report.terminal import ranking_table


@click.command("report")
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@click.option(
    "--format",
    "formats",
    type=click.Choice(FORMATS),
    multiple=True,
    default=DEFAULT_FORMATS,
    show_default=True,
    help="What to write into RUN; may be given more than once. svg: every plot in RUN/plots; "
    "schema: the JSON Schema of results.json.",
)
@listening_options
@options.json_option
@options.quiet_option
def command(
    run_folder: Path,
    formats: tuple[str, ...],
    excerpt: Span | None,
    no_audio: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write the report again from a run's folder, or write it in other formats."""
    results = load_results(run_folder)
    heard = listening(excerpt, no_audio, results.source.duration_s)
    written = write_formats(results, run_folder, formats, heard)
    click.echo(
        results_text(results) if as_json else ranking_table(results, width=options.table_width()),
        nl=not as_json,
    )
    for path in written:
        options.say(f"report: {path}", quiet=quiet)
