"""The files that a run's results are written as, by format."""

import json
from collections.abc import Callable, Collection, Mapping
from pathlib import Path

from chainweigh.audio.atomic import write_text
from chainweigh.ranking.results import Results
from chainweigh.report import markdown, ranking_csv
from chainweigh.report.page import Listening, write_report
from chainweigh.report.results_json import results_schema
from chainweigh.report.svg_files import write_svg_files

SCHEMA_NAME = "results.schema.json"
DEFAULT_FORMATS = ("html", "csv")


def write_formats(
    results: Results, folder: Path, formats: Collection[str], listening: Listening | None = None
) -> list[Path]:
    """Write a run's results into its folder in each format asked for; returns what was written.

    Raises
    ------
    RunFolderError
        A file cannot be written.
    """
    written = [write_report(results, folder, listening)] if "html" in formats else []
    return written + [write(results, folder) for name, write in WRITERS.items() if name in formats]


def _write_csv(results: Results, folder: Path) -> Path:
    ranking_csv.write_ranking_csv(results, folder / ranking_csv.FILE_NAME)
    return folder / ranking_csv.FILE_NAME


def _write_markdown(results: Results, folder: Path) -> Path:
    write_text(folder / markdown.FILE_NAME, markdown.markdown_report(results))
    return folder / markdown.FILE_NAME


def _write_schema(results: Results, folder: Path) -> Path:
    write_text(folder / SCHEMA_NAME, json.dumps(results_schema(), indent=2) + "\n")
    return folder / SCHEMA_NAME


WRITERS: Mapping[str, Callable[[Results, Path], Path]] = {
    "csv": _write_csv,
    "md": _write_markdown,
    "svg": write_svg_files,
    "schema": _write_schema,
}
FORMATS = ("html", *WRITERS)
