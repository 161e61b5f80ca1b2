"""chainweigh measure FILE..."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
import msgspec

from chainweigh.audio.atomic import write_text
from chainweigh.audio.files import name_text, read_audio
from chainweigh.cli import options
from chainweigh.cli.headers import check_headers
from chainweigh.measure.comparison import PairMeasures, measure_against
from chainweigh.measure.series import measure_series
from chainweigh.measure.summary import FileMeasures, measure_file
from chainweigh.report.measures_csv import measures_csv, series_csv
from chainweigh.report.measures_table import bands_table, measures_table, pairs_table
from chainweigh.report.series_plot import series_plot
from chainweigh.report.strict_json import strict_json

Measured = tuple[str, FileMeasures, PairMeasures | None]

_output = click.Path(dir_okay=False, path_type=Path)
_output_or_stdout = click.Path(dir_okay=False, path_type=Path, allow_dash=True)


@click.command("measure")
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path())
@click.option(
    "--against",
    "reference",
    metavar="REF",
    type=click.Path(),
    help="Match each file to this one in delay and loudness and say what else differs.",
)
@options.json_option
@click.option(
    "--csv",
    "csv_file",
    metavar="FILE",
    type=_output_or_stdout,
    help="One row a file as CSV; - for stdout, in place of the table.",
)
@click.option(
    "--series",
    "series_file",
    metavar="FILE.csv",
    type=_output,
    help="Momentary and short-term loudness and PSR over time, of one FILE, as CSV.",
)
@click.option(
    "--plot", "plot_file", metavar="FILE.svg", type=_output, help="The same as a drawing."
)
@options.quiet_option
def command(
    files: tuple[str, ...],
    reference: str | None,
    as_json: bool,
    csv_file: Path | None,
    series_file: Path | None,
    plot_file: Path | None,
    quiet: bool,
) -> None:
    """Loudness, true peak, levels, PLR and PSR of audio files, side by side.

    With --against every FILE is also held against REF, time-aligned and level-matched: residual,
    audibility, loudness gain and how much of it is tone.
    """
    outputs = [path for path in (csv_file, series_file, plot_file) if path and str(path) != "-"]
    csv_on_stdout = csv_file is not None and str(csv_file) == "-"
    if as_json and csv_on_stdout:
        raise click.UsageError("--json and --csv - both want stdout; give --csv a file")
    if (series_file or plot_file) and len(files) > 1:
        raise click.UsageError(f"--series and --plot take one FILE; {len(files)} are given")
    _check_outputs(outputs, [*files, *([reference] if reference else [])])
    check_headers(files, reference)

    measured = _measure(files, reference)
    reference = None if reference is None else name_text(reference)
    if csv_file and not csv_on_stdout:
        write_text(csv_file, measures_csv(measured, reference))
    if series_file or plot_file:
        _write_series(files[0], series_file, plot_file)
    if csv_on_stdout:
        click.echo(measures_csv(measured, reference).encode(), nl=False)
    else:
        click.echo(_json(measured, reference) if as_json else _tables(measured, reference))
    for path in outputs:
        options.say(f"written: {path}", quiet=quiet)


def _measure(files: Sequence[str], reference: str | None) -> list[Measured]:
    """The reference first, where there is one."""
    if reference is None:
        return [(name_text(name), _measure_one(name), None) for name in files]
    measured: list[Measured] = [(name_text(reference), _measure_one(reference), None)]
    for name in files:
        measured.append((name_text(name), *_measure_pair(reference, name)))
    return measured


def _measure_pair(reference: str, name: str) -> tuple[FileMeasures, PairMeasures]:
    """A reference is read again for every file: both arrays are written over."""
    held, audio = read_audio(reference), read_audio(name)
    rate = audio.sample_rate_hz
    file = measure_file(audio.samples, rate)
    return file, measure_against(held.samples, audio.samples, sample_rate_hz=rate, overwrite=True)


def _measure_one(name: str) -> FileMeasures:
    audio = read_audio(name)
    return measure_file(audio.samples, audio.sample_rate_hz)


def _tables(measured: Sequence[Measured], reference: str | None) -> str:
    table = measures_table([(name, file) for name, file, _ in measured])
    if reference is None:
        return table
    pairs = [(name, pair) for name, _, pair in measured if pair is not None]
    return "\n\n".join([table, pairs_table(reference, pairs), bands_table(reference, pairs)])


def _json(measured: Sequence[Measured], reference: str | None) -> str:
    rows: list[dict[str, Any]] = []
    for name, file, pair in measured:
        row = {"file": name, **msgspec.to_builtins(file)}
        if pair is not None:
            row["against"] = {"file": reference, **msgspec.to_builtins(pair)}
        rows.append(row)
    return strict_json(rows, "measures")


def _write_series(name: str, series_file: Path | None, plot_file: Path | None) -> None:
    audio = read_audio(name)
    series = measure_series(audio.samples, audio.sample_rate_hz)
    if series_file:
        write_text(series_file, series_csv(series))
    if plot_file:
        write_text(plot_file, series_plot(name_text(Path(name).name), series))


def _check_outputs(outputs: Sequence[Path], inputs: Sequence[str]) -> None:
    """Refuse to write over what is to be measured, or two things to one file."""
    taken = {Path(name).resolve(): f"{name} is to be measured" for name in inputs}
    for path in outputs:
        if path.resolve() in taken:
            raise click.UsageError(f"{path} is not written: {taken[path.resolve()]}")
        taken[path.resolve()] = f"{path} is already the file of another option"
