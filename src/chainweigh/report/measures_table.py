"""Measures of several files side by side, and of pairs, as text."""

from collections.abc import Sequence

from chainweigh.measure.comparison import PairMeasures
from chainweigh.measure.summary import FileMeasures
from chainweigh.report.formats import Notes, one_line, signed, unit
from chainweigh.report.measure_rows import (
    FILE_ROWS,
    PAIR_ROWS,
    UNITS,
    Row,
    bands_of,
    field_of,
    look_up,
    shown,
)
from chainweigh.report.text_table import Column, column_widths, heading_lines, row_line


def measures_table(measured: Sequence[tuple[str, FileMeasures]]) -> str:
    """One column a file, one row a measure; what is undefined is numbered with its reason below."""
    return _table("measure", FILE_ROWS, measured)


def pairs_table(reference: str, measured: Sequence[tuple[str, PairMeasures]]) -> str:
    """One column a candidate, each against the same reference; reasons as in `measures_table`."""
    return _table(f"against {one_line(reference)}", PAIR_ROWS, measured)


def bands_table(reference: str, measured: Sequence[tuple[str, PairMeasures]]) -> str:
    """One column a candidate, one row a third octave: its change in dB."""
    notes = Notes()
    bands = [bands_of(pair) for _, pair in measured]
    texts = [
        [f"{centre} Hz", *(_change(*column[centre], notes) for column in bands)]
        for centre in bands[0]
    ]
    corner = f"third octaves against {one_line(reference)}, dB"
    return _laid_out(corner, [name for name, _ in measured], texts, notes)


def _table(
    corner: str,
    rows: Sequence[Row],
    measured: Sequence[tuple[str, FileMeasures]] | Sequence[tuple[str, PairMeasures]],
) -> str:
    notes = Notes()
    texts = [[_label(row), *(_cell(r, row, notes) for _, r in measured)] for row in rows]
    return _laid_out(corner, [name for name, _ in measured], texts, notes)


def _laid_out(
    corner: str, names: Sequence[str], texts: Sequence[Sequence[str]], notes: Notes
) -> str:
    columns = [Column(corner, right=False), *(Column(one_line(name)) for name in names)]
    widths = column_widths(columns, texts)
    lines = [*heading_lines(columns, widths), *(row_line(row, columns, widths) for row in texts)]
    lines += [f"[{i}] {text}" for i, text in enumerate(notes.reasons, start=1)]
    return "\n".join(lines)


def _label(row: Row) -> str:
    field = field_of(row)
    said = UNITS.get(field) or unit(field)
    return f"{row[1]}, {said}" if said else row[1]


def _cell(record: FileMeasures | PairMeasures, row: Row, notes: Notes) -> str:
    value, why = look_up(record, row)
    return f"n/a [{notes.mark(one_line(why))}]" if value is None else shown(row, value)


def _change(change_db: float | None, why: str, notes: Notes) -> str:
    return f"n/a [{notes.mark(why)}]" if change_db is None else signed(change_db)
