"""chainweigh measure FILE..."""

from pathlib import Path

import click
import msgspec

from chainweigh.audio.files import read_audio
from chainweigh.cli import options
from chainweigh.measure.summary import FileMeasures, measure_file
from chainweigh.report.measures_table import measures_table


@click.command("measure")
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path())
@options.json_option
def command(files: tuple[str, ...], as_json: bool) -> None:
    """Loudness, true peak, levels and PLR of audio files, side by side."""
    measured = [(name, _measure(name)) for name in files]
    if as_json:
        rows = [{"file": name, **msgspec.to_builtins(measures)} for name, measures in measured]
        click.echo(msgspec.json.format(msgspec.json.encode(rows), indent=2))
    else:
        click.echo(measures_table(measured))


def _measure(name: str) -> FileMeasures:
    audio = read_audio(Path(name))
    return measure_file(audio.samples, audio.sample_rate_hz)
