"""Measures of several files side by side, as text."""

from collections.abc import Sequence
from dataclasses import fields

from chainweigh.measure.summary import FileMeasures
from chainweigh.report.formats import Notes, number, one_line, unit
from chainweigh.report.text_table import Column, column_widths, heading_lines, row_line

_LABELS = {
    "integrated_lufs": "integrated loudness",
    "momentary_max_lufs": "momentary maximum (400 ms)",
    "short_term_max_lufs": "short-term maximum (3 s)",
    "lra_lu": "loudness range",
    "true_peak_dbtp": "true peak, precise (16x)",
    "true_peak_annex2_dbtp": "true peak, BS.1770 Annex 2",
    "sample_peak_dbfs": "sample peak",
    "rms_db": "RMS, plain (full-scale sine -3.01)",
    "rms_aes17_dbfs": "RMS, AES17 (full-scale sine 0)",
    "rms_max_300ms_db": "maximum RMS over 300 ms, plain",
    "crest_db": "crest factor",
    "plr_db": "peak to loudness ratio (PLR)",
}


def measures_table(measured: Sequence[tuple[str, FileMeasures]]) -> str:
    """One column a file, one row a measure; what is undefined is numbered with its reason below."""
    notes = Notes()
    rows = []
    for field in fields(FileMeasures):
        if field.name in _LABELS:
            cells = [_cell(measures, field.name, notes) for _, measures in measured]
            rows.append([f"{_LABELS[field.name]}, {unit(field.name)}", *cells])
    names = [one_line(name) for name, _ in measured]
    columns = [Column("measure", right=False), *(Column(name) for name in names)]
    widths = column_widths(columns, rows)
    lines = [*heading_lines(columns, widths), *(row_line(row, columns, widths) for row in rows)]
    lines += [f"[{i}] {text}" for i, text in enumerate(notes.reasons, start=1)]
    return "\n".join(lines)


def _cell(measures: FileMeasures, field: str, notes: Notes) -> str:
    value = getattr(measures, field)
    if value is not None:
        return number(field, value)
    return f"n/a [{notes.mark(one_line(measures.undefined[field]))}]"
