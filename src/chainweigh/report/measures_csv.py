"""Measures of files and pairs, and levels over time, as CSV."""

from collections.abc import Iterator, Sequence

import numpy as np

from chainweigh.measure.comparison import PairMeasures
from chainweigh.measure.series import LevelSeries
from chainweigh.measure.summary import FileMeasures
from chainweigh.report.csv_text import Cell, csv_text
from chainweigh.report.measure_rows import FILE_ROWS, PAIR_ROWS, Row, Value, field_of, look_up

_Told = tuple[Row, FileMeasures | PairMeasures | None]

SERIES_COLUMNS = ("time_s", "momentary_lufs", "short_term_lufs", "psr_db")


def measures_csv(
    measured: Sequence[tuple[str, FileMeasures, PairMeasures | None]], reference: str | None = None
) -> str:
    """One row a file; with a reference also `against` and the measures of the pair.

    DC offset has a column for each channel; the worst moments stand in one cell, spaces between.
    """
    rows = FILE_ROWS if reference is None else (*FILE_ROWS, *PAIR_ROWS)
    against = () if reference is None else ("against",)
    columns = ("file", *against, *(name for row in rows for name in _columns(row)), "undefined")
    lines = []
    for name, file, pair in measured:
        told = () if reference is None else (reference if pair else None,)
        records: list[_Told] = [(row, file) for row in FILE_ROWS]
        records += [(row, pair) for row in rows[len(FILE_ROWS) :]]
        values = [cell for row, record in records for cell in _cells(row, record)]
        lines.append([name, *told, *values, "; ".join(_reasons(records))])
    return csv_text(columns, lines)


def series_csv(series: LevelSeries) -> str:
    """Loudness over time; each row is the end of a window, every 10 ms from the first 400 ms on.

    A cell is empty where no window ends there (PSR has one a second) and in digital silence.
    """
    short_term = dict(zip(series.short_term.times_s, series.short_term.loudness_lufs, strict=True))
    psr = dict(zip(series.psr.times_s, series.psr.psr_db, strict=True))
    momentary = zip(series.momentary.times_s, series.momentary.loudness_lufs, strict=True)
    rows = (
        (float(time_s), *map(_finite, (lufs, short_term.get(time_s), psr.get(time_s))))
        for time_s, lufs in momentary
    )
    return csv_text(SERIES_COLUMNS, rows)


def _columns(row: Row) -> tuple[str, ...]:
    return ("dc_offset_1", "dc_offset_2") if row[0] == "dc_offset" else (field_of(row),)


def _cells(row: Row, record: FileMeasures | PairMeasures | None) -> tuple[Cell, ...]:
    value: Value = look_up(record, row)[0] if record else None
    n_columns = len(_columns(row))
    if n_columns > 1:
        items = value if isinstance(value, tuple) else ()
        return (*items, None, None)[:n_columns]
    return (" ".join(map(str, value)) if isinstance(value, tuple) else value,)


def _finite(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else float(value)


def _reasons(records: Sequence[_Told]) -> Iterator[str]:
    for row, record in records:
        if record is not None:
            value, why = look_up(record, row)
            if value is None:
                yield f"{field_of(row)}: {why}"
