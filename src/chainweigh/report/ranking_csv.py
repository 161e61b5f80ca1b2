"""ranking.csv: one row a candidate, keyed by comparison and candidate.

RFC 4180, UTF-8 without a byte order mark, CRLF line ends, full precision, None as an empty cell.

A text cell that a spreadsheet would run as a formula gets an apostrophe in front; so does one that
already starts with an apostrophe, so that dropping one leading apostrophe always gives the text
back. results.json holds names verbatim. Numbers are never touched.
"""

import csv
import io
from collections.abc import Iterator
from pathlib import Path

from chainweigh.audio.atomic import write_text
from chainweigh.ranking.results import Candidate, Comparison, Results
from chainweigh.report.settings_text import candidate_settings

FILE_NAME = "ranking.csv"
Cell = str | int | float | bool | None

STANDING = (
    "rank",
    "loudness_gain_lu",
    "loudness_gain_dry_lu",
    "loudness_gain_soloed_lu",
    "added_thdn_pct",
    "score_lu",
    "within_budget",
    "on_pareto_front",
    "tied_with_winner",
)
TONES = ("thdn_peak_pct", "thdn_steady_pct", "thdn_programme_pct", "thdn_with_intended_pct")
PROGRAMME = ("sdr_db", "residual_pct", "gain_movement_db")
MATCH = ("match_gain_db", "loudness_difference_lu", "shift_frames")
FILE = (
    "integrated_lufs",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "lra_lu",
    "true_peak_dbtp",
    "true_peak_annex2_dbtp",
    "sample_peak_dbfs",
    "rms_db",
    "rms_aes17_dbfs",
    "rms_max_300ms_db",
    "crest_db",
    "plr_db",
)
COLUMNS = (
    ("comparison", "candidate", "scope", "chosen")
    + (STANDING + TONES + PROGRAMME + MATCH + FILE)
    + ("why", "breaches", "failure", "undefined", "settings", "audio")
)
_FORMULA_STARTS = tuple("=+-@＝＋－＠'")


def write_ranking_csv(results: Results, path: Path) -> None:
    """Write the ranking of every comparison as CSV.

    Raises
    ------
    RunFolderError
        The file cannot be written.
    """
    write_text(path, ranking_csv(results))


def ranking_csv(results: Results) -> str:
    """The text of ranking.csv."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for comparison in results.comparisons:
        for candidate in comparison.candidates:
            row = dict(_row(results, comparison, candidate))
            writer.writerow([_written(row.get(column)) for column in COLUMNS])
    return stream.getvalue()


def _row(
    results: Results, comparison: Comparison, candidate: Candidate
) -> Iterator[tuple[str, Cell]]:
    yield "comparison", comparison.name
    yield "candidate", candidate.name
    yield "scope", comparison.scope
    yield "chosen", is_chosen(results, comparison, candidate)
    for record, fields in _records(candidate):
        yield from ((field, getattr(record, field)) for field in fields if record is not None)
    yield "why", candidate.standing.why
    yield "breaches", "; ".join(candidate.standing.breaches)
    yield "failure", candidate.failure
    yield "undefined", "; ".join(_reasons(candidate))
    yield "settings", candidate_settings(candidate)
    yield "audio", candidate.audio


def _records(candidate: Candidate) -> tuple[tuple[object, tuple[str, ...]], ...]:
    return (
        (candidate.standing, STANDING),
        (candidate.tones, TONES),
        (candidate.programme, PROGRAMME),
        (candidate, MATCH),
        (candidate.file, FILE),
    )


def _reasons(candidate: Candidate) -> Iterator[str]:
    for record, _ in _records(candidate):
        for field, why in sorted(getattr(record, "undefined", {}).items()):
            yield f"{field}: {why}"


def is_chosen(results: Results, comparison: Comparison, candidate: Candidate) -> bool:
    """Whether the chosen set holds this candidate."""
    if comparison.scope == "master":
        return results.chosen.master == candidate.name
    return any(
        choice.group == comparison.name and choice.candidate == candidate.name
        for choice in results.chosen.choices
    )


def _written(cell: Cell) -> str | int | float:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, str) and cell.lstrip().startswith(_FORMULA_STARTS):
        return f"'{cell}"
    return cell
