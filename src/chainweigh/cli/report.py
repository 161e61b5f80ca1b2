"""chainweigh report RUN."""

from pathlib import Path

import click

from chainweigh.cli import options
from chainweigh.measure.frames import Span
from chainweigh.report.page import write_report
from chainweigh.report.results_json import load_results, results_text
from chainweigh.report.terminal import ranking_table


@click.command("report")
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@options.listening_options
@options.json_option
@options.quiet_option
def command(
    run_folder: Path, excerpt: Span | None, no_audio: bool, as_json: bool, quiet: bool
) -> None:
    """Build report.html and ranking.csv again from a run's folder."""
    results = load_results(run_folder)
    page = write_report(results, run_folder, options.listening(excerpt, no_audio))
    click.echo(results_text(results) if as_json else ranking_table(results), nl=not as_json)
    options.say(f"report: {page}", quiet=quiet)
