"""CSV text: RFC 4180, CRLF line ends, full precision, None as an empty cell.

A text cell that a spreadsheet would run as a formula gets an apostrophe in front; so does one that
already starts with an apostrophe, so that dropping one leading apostrophe always gives the text
back. Numbers are never touched.
"""

import csv
import io
from collections.abc import Iterable, Sequence

Cell = str | int | float | bool | None

_FORMULA_STARTS = tuple("=+-@＝＋－＠'")


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """A heading and rows as CSV."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([_written(cell) for cell in row] for row in rows)
    return stream.getvalue()


def _written(cell: Cell) -> str | int | float:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, str) and cell.lstrip().startswith(_FORMULA_STARTS):
        return f"'{cell}"
    return cell
