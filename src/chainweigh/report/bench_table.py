"""A chain's readings on the tone bench as text, the instrument's own floor beside them."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

from chainweigh.measure.intermodulation import ImdResults
from chainweigh.render.bench import BenchReadings, BenchResults
from chainweigh.report.formats import Notes, one_line, plain, reason
from chainweigh.report.text_table import (
    Column,
    column_widths,
    heading_lines,
    row_line,
    wrapped,
)

SHOWN_HZ = (20.0, 31.25, 62.5, 125.0, 250.0, 500.0, 1e3, 2e3, 4e3, 8e3, 16e3, 20e3)
LEAST_PCT = 1e-9  # less is rounding of the transform in float64
_IMD_LABELS = {
    "modulation_d2_pct": "SMPTE RP120, 60 Hz + 7 kHz 4:1, second order, %",
    "modulation_d3_pct": "SMPTE RP120, third order, %",
    "modulation_pct": "SMPTE RP120, both, root of the squares' sum, %",
    "difference_d2_pct": "difference tone, 19 + 20 kHz, second order, %",
    "difference_d3_pct": "difference tone, third order, %",
}


@dataclass(frozen=True)
class _Row:
    label: str
    record: object
    floor: object
    field: str


def bench_table(results: BenchResults, *, width: int = 100) -> str:
    """Distortion over level and frequency, single readings, and the response, as text.

    Every table ends with the floor. What is undefined reads n/a with the number of its reason.
    """
    notes = Notes()
    lines = [
        one_line(results.chain),
        *wrapped(one_line(results.about), width),
        *_drive_lines(results, width),
        "",
        "THD+N, % of the total, 20 Hz to 20 kHz; across: peak of the tone, dBFS",
        *_thdn_lines(results, notes),
        "",
        *_reading_lines(results, notes),
        "",
        *_response_lines(results, notes, width),
    ]
    for index, text in enumerate(notes.reasons, start=1):
        lines += wrapped(f"[{index}] {text}", width)
    for text in results.notes:
        lines += wrapped(one_line(text), width)
    return "\n".join(lines)


def share_text(pct: float) -> str:
    """A percentage to three figures, from a floor of millionths up."""
    if pct < LEAST_PCT:
        return f"<{LEAST_PCT:.0e}" if pct else "0"
    return f"{pct:.1e}" if pct < 0.001 else f"{pct:#.3g}".rstrip(".")


def frequency_text(frequency_hz: float) -> str:
    """A frequency to the precision a table needs, without its unit."""
    return f"{frequency_hz:.1f}" if frequency_hz < 100 else f"{frequency_hz:.0f}"


def nearest(frequencies_hz: Sequence[float], wanted_hz: float) -> int:
    """Index of the frequency nearest to the one wanted."""
    return min(range(len(frequencies_hz)), key=lambda i: abs(frequencies_hz[i] - wanted_hz))


def _drive_lines(results: BenchResults, width: int) -> Iterator[str]:
    yield from wrapped(
        f"Driven up to {plain(results.peak_dbfs)} dBFS peak at {results.sample_rate_hz} Hz; "
        f"levels resolved on {one_line(results.levels_from)}, then frozen.",
        width,
    )
    for number, stage in enumerate(results.stages, start=1):
        settings = ", ".join(
            f"{key} {value} ({stage.relative[key]})" if key in stage.relative else f"{key} {value}"
            for key, value in stage.settings.items()
        )
        yield from wrapped(f"{number}. {stage.effect}: {settings}", width)


def _thdn_lines(results: BenchResults, notes: Notes) -> Iterator[str]:
    columns = [
        Column("Hz"),
        *(Column(plain(level)) for level in results.levels_dbfs),
        Column("floor"),
    ]
    measured, floor = results.measured, results.floor
    rows = []
    for i, frequency_hz in enumerate(results.frequencies_hz):
        cells = [_share_cell(pct, measured, notes) for pct in measured.thdn_pct[i]]
        highest = max(pct for pct in floor.thdn_pct[i] if pct is not None)
        rows.append([frequency_text(frequency_hz), *cells, share_text(highest)])
    yield from _table_lines(columns, rows)


def _share_cell(pct: float | None, readings: BenchReadings, notes: Notes) -> str:
    if pct is not None:
        return share_text(pct)
    return f"[{notes.mark(reason(readings.undefined, 'thdn_pct'))}]"


def _table_lines(columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = column_widths(columns, rows)
    yield from heading_lines(columns, widths)
    yield from (row_line(row, columns, widths) for row in rows)


def _reading_lines(results: BenchResults, notes: Notes) -> Iterator[str]:
    measured, floor = results.measured, results.floor
    peak = f"{frequency_text(results.peak_tone_hz)} Hz"
    rows = [
        _Row(f"THD+N of {peak} at the peak, %", measured, floor, "thdn_peak_pct"),
        _Row("the same through the AES17 notch, %", measured, floor, "thdn_peak_notched_pct"),
        _Row("THD+N weighted by the programme, %", measured, floor, "thdn_steady_pct"),
        _Row("THD+N of tones that ride its envelope, %", measured, floor, "thdn_ridden_pct"),
        _Row("THD+N of the programme: the larger, %", measured, floor, "thdn_programme_pct"),
        *(
            _Row(_IMD_LABELS[field.name], measured.imd, floor.imd, field.name)
            for field in fields(ImdResults)
            if field.name in _IMD_LABELS
        ),
        _Row(f"noise beside {peak} at -60 dBFS, dBFS", measured, floor, "noise_dbfs"),
        _Row("noise with silence in, dBFS", measured, floor, "idle_noise_dbfs"),
        _Row("latency, frames", measured, floor, "latency_frames"),
    ]
    columns = [Column("reading", right=False), Column("chain"), Column("floor")]
    cells = [
        [row.label, _cell(row.record, row.field, notes), _cell(row.floor, row.field, notes)]
        for row in rows
    ]
    if measured.latency_frames:
        latency_ms = 1000 * measured.latency_frames / results.sample_rate_hz
        cells.append(["latency, ms", plain(latency_ms), plain(0.0)])
    yield from _table_lines(columns, cells)


def _cell(record: object, field: str, notes: Notes) -> str:
    value = getattr(record, field)
    if value is None:
        return f"n/a [{notes.mark(reason(getattr(record, 'undefined', None), field))}]"
    if field.endswith("_pct"):
        return share_text(value)
    return str(value) if isinstance(value, int) else plain(value, 1)


def _response_lines(results: BenchResults, notes: Notes, width: int) -> Iterator[str]:
    measured, floor = results.measured, results.floor
    if measured.response_level_dbfs is None:
        mark = notes.mark(reason(measured.undefined, "response_level_dbfs"))
        yield f"Frequency response: n/a [{mark}]"
        return
    yield from wrapped(
        "Gain where the chain is linear, dB, read with an impulse of "
        f"{plain(measured.response_level_dbfs)} dBFS",
        width,
    )
    available = results.response_frequencies_hz
    shown = [nearest(available, hz) for hz in SHOWN_HZ if hz <= available[-1] * 1.001]
    columns = [
        Column("Hz", right=False),
        *(Column(frequency_text(available[i])) for i in shown),
    ]
    rows = []
    for label, readings in (("chain", measured), ("floor", floor)):
        cells = [_gain_cell(readings, i, notes) for i in shown]
        rows.append([label, *cells])
    yield from _table_lines(columns, rows)


def _gain_cell(readings: BenchReadings, index: int, notes: Notes) -> str:
    gain_db = readings.gain_db[index]
    if gain_db is not None:
        return plain(gain_db)
    return f"[{notes.mark(reason(readings.undefined, 'gain_db'))}]"
