"""Drawing of a chain's readings on the tone bench: one SVG of three plots, one above the other."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from chainweigh.render.bench import BenchResults
from chainweigh.report.bench_table import frequency_text, nearest
from chainweigh.report.formats import one_line, plain, with_minus
from chainweigh.report.text_table import cut

WIDTH, PANEL_HEIGHT, HEAD = 880, 320, 64
LEFT, RIGHT, TOP, BOTTOM = 66, 104, 40, 44
LABEL_GAP = 14.0
TITLE_CELLS = 70
LEVELS_BELOW_DB = (0.0, 2.0, 4.0, 8.0, 20.0)
LEVEL_PLOT_HZ = (63.0, 250.0, 1000.0, 4000.0)
FREQUENCY_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
LEAST_SPAN_DB = 6.0
LEAST_DECADES = 2
DEEPEST_DB = 60.0  # what lies further below the largest gain runs out of the response's plot

STYLE = """
svg { color-scheme: light dark; background: #fbfaf6; font: 13px system-ui, sans-serif; }
text { fill: #1d2021; }
.soft { fill: #5d6262; }
path { fill: none; stroke: #7a2e5d; stroke-width: 1.8; stroke-linejoin: round; }
path.rule { stroke: #dad7cd; stroke-width: 1; }
path.floor { stroke: #5d6262; stroke-width: 1.4; stroke-dasharray: 2 4; }
path.tie { stroke: #5d6262; stroke-width: .5; }
.title { font-size: 19px; font-weight: 600; }
.head { font-weight: 600; }
@media (prefers-color-scheme: dark) {
  svg { background: #17191b; }
  text { fill: #e9e6df; }
  .soft { fill: #a3a7a5; }
  path { stroke: #e5a3c8; }
  path.rule { stroke: #373c3f; }
  path.floor, path.tie { stroke: #a3a7a5; }
}
"""
DASHES = ("", "10 3", "6 3", "3 3", "9 3 2 3")

Values = Sequence[float | None]


@dataclass(frozen=True)
class _Axis:
    """From a value to drawing units; `log` spaces decades evenly."""

    low: float
    high: float
    start: float
    end: float
    log: bool = False

    def at(self, value: float) -> float:
        low, high, value = (
            (math.log10(v) if self.log else v) for v in (self.low, self.high, value)
        )
        return round(self.start + (value - low) / (high - low) * (self.end - self.start), 2)


@dataclass(frozen=True)
class _Line:
    label: str
    x: Sequence[float]
    y: Values
    dash: str = ""
    floor: bool = False


@dataclass(frozen=True)
class _Panel:
    title: str
    x: _Axis
    y: _Axis
    x_ticks: Sequence[tuple[float, str]]
    y_ticks: Sequence[tuple[float, str]]
    x_label: str
    lines: Sequence[_Line]
    missing: str = ""


def bench_plot(results: BenchResults) -> str:
    """THD+N over frequency and over level, and the frequency response, as the text of an SVG."""
    panels = [
        _over_frequency(results, _box(0)),
        _over_level(results, _box(1)),
        _response(results, _box(2)),
    ]
    height = HEAD + len(panels) * PANEL_HEIGHT
    title = escape(cut(one_line(results.chain), TITLE_CELLS))
    drive = (
        f"up to {plain(results.peak_dbfs)} dBFS peak at {results.sample_rate_hz} Hz; "
        f"levels resolved on {one_line(results.levels_from)}"
    )
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
            f'width="{WIDTH}" height="{height}" role="img" aria-labelledby="title desc">',
            f'<title id="title">{title} on the tone bench</title>',
            f'<desc id="desc">{escape(_description(results))}</desc>',
            f"<style>{STYLE}</style>",
            f'<text class="title" x="{LEFT}" y="32">{title}</text>',
            f'<text class="soft" x="{LEFT}" y="52">{escape(with_minus(cut(drive, 110)))}</text>',
            *(part for panel in panels for part in _drawn(panel)),
            "</svg>\n",
        ]
    )


def _description(results: BenchResults) -> str:
    peak = results.measured.thdn_peak_pct
    said = "has no reading" if peak is None else f"is {peak:.3g} percent"
    return (
        "Three plots: THD+N in percent over frequency, the same over level, and gain in dB over "
        f"frequency. THD+N of 997 Hz at the peak {said}. Dashed: the instrument's own floor."
    )


@dataclass(frozen=True)
class _Box:
    top: float
    bottom: float
    left: float = LEFT
    right: float = WIDTH - RIGHT


def _box(number: int) -> _Box:
    top = HEAD + number * PANEL_HEIGHT
    return _Box(top + TOP, top + PANEL_HEIGHT - BOTTOM)


def _over_frequency(results: BenchResults, box: _Box) -> _Panel:
    shown = dict.fromkeys(
        nearest(results.levels_dbfs, results.peak_dbfs - below) for below in LEVELS_BELOW_DB
    )
    lines = [
        _Line(
            f"{plain(results.levels_dbfs[j], 1)} dBFS",
            results.frequencies_hz,
            [row[j] for row in results.measured.thdn_pct],
            DASHES[n],
        )
        for n, j in enumerate(shown)
    ]
    floor = [max((p for p in row if p is not None), default=None) for row in results.floor.thdn_pct]
    lines.append(_Line("floor", results.frequencies_hz, floor, floor=True))
    y, y_ticks = _decades(lines, box)
    x, x_ticks = _frequency_axis(results, box)
    return _Panel("THD+N over frequency, %", x, y, x_ticks, y_ticks, "Hz", lines)


def _over_level(results: BenchResults, box: _Box) -> _Panel:
    shown = dict.fromkeys(nearest(results.frequencies_hz, hz) for hz in LEVEL_PLOT_HZ)
    levels = results.levels_dbfs
    lines = [
        _Line(
            f"{frequency_text(results.frequencies_hz[i])} Hz",
            levels,
            results.measured.thdn_pct[i],
            DASHES[n],
        )
        for n, i in enumerate(shown)
    ]
    columns = zip(*results.floor.thdn_pct, strict=True)
    floor = [max((p for p in column if p is not None), default=None) for column in columns]
    lines.append(_Line("floor", levels, floor, floor=True))
    y, y_ticks = _decades(lines, box)
    x = _Axis(levels[0], levels[-1], box.left, box.right)
    x_ticks = _even_ticks(x, 6)
    return _Panel("THD+N over level, %", x, y, x_ticks, y_ticks, "peak of the tone, dBFS", lines)


def _response(results: BenchResults, box: _Box) -> _Panel:
    frequencies, measured = results.response_frequencies_hz, results.measured
    known = [gain for gain in measured.gain_db if gain is not None]
    high = max(known, default=0.0)
    low = max(min(known, default=0.0), high - DEEPEST_DB)
    spare = max(0.08 * (high - low), (LEAST_SPAN_DB - (high - low)) / 2)
    y = _Axis(low - spare, high + spare, box.bottom, box.top)
    x, x_ticks = _frequency_axis(results, box)
    lines = [
        _Line("chain", frequencies, measured.gain_db),
        _Line("floor", frequencies, results.floor.gain_db, floor=True),
    ]
    missing = measured.undefined.get("response_level_dbfs", "")
    return _Panel(
        "Gain where the chain is linear, dB", x, y, x_ticks, _even_ticks(y, 5), "Hz", lines, missing
    )


def _frequency_axis(results: BenchResults, box: _Box) -> tuple[_Axis, list[tuple[float, str]]]:
    ends = results.response_frequencies_hz
    x = _Axis(ends[0], ends[-1], box.left, box.right, log=True)
    ticks = [
        (float(hz), f"{hz // 1000}k" if hz >= 1000 else str(hz))
        for hz in FREQUENCY_TICKS_HZ
        if 0.99 * x.low <= hz <= 1.01 * x.high
    ]
    return x, ticks


def _decades(lines: Iterable[_Line], box: _Box) -> tuple[_Axis, list[tuple[float, str]]]:
    values = [y for line in lines for y in line.y if y]
    first = math.floor(math.log10(min(values, default=1e-6)) + 1e-9)
    last = max(math.ceil(math.log10(max(values, default=1.0)) - 1e-9), first + LEAST_DECADES)
    y = _Axis(10.0**first, 10.0**last, box.bottom, box.top, log=True)
    return y, [(10.0**d, f"{10.0**d:g}" if d >= -3 else f"1e{d}") for d in range(first, last + 1)]


def _even_ticks(axis: _Axis, n_ticks: int) -> list[tuple[float, str]]:
    rough = (axis.high - axis.low) / n_ticks
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough * 0.999999)
    first, last = math.ceil(axis.low / step - 1e-9), math.floor(axis.high / step + 1e-9)
    return [(i * step, f"{i * step:g}") for i in range(first, last + 1)]


def _drawn(panel: _Panel) -> Iterable[str]:
    x, y = panel.x, panel.y
    yield f'<text class="head" x="{LEFT}" y="{y.end - 14}">{panel.title}</text>'
    for value, text in panel.y_ticks:
        at = y.at(value)
        yield f'<path class="rule" d="M{x.start} {at}H{x.end}"/>'
        yield _text(x.start - 8, at + 4, text, anchor="end")
    for value, text in panel.x_ticks:
        yield f'<path class="rule" d="M{x.at(value)} {y.start}v5"/>'
        yield _text(x.at(value), y.start + 20, text, anchor="middle")
    yield _text(x.end, y.start + 36, panel.x_label, anchor="end")
    if panel.missing:
        yield _text(x.start + 12, (y.start + y.end) / 2, f"n/a: {panel.missing}", anchor="start")
    shown = [(line, _path(line, x, y)) for line in panel.lines]
    for line, path in shown:
        kind = ' class="floor"' if line.floor else ""
        dash = f' stroke-dasharray="{line.dash}"' if line.dash else ""
        yield f'<path{kind}{dash} d="{path}"/>'
    ends = [(line.label, *_end(line, x, y)) for line, path in shown if path]
    yield from _end_labels(ends, x, y)


def _text(x: float, y: float, text: str, *, anchor: str) -> str:
    shown = escape(with_minus(one_line(text)))
    return f'<text class="soft" x="{x:g}" y="{y:g}" text-anchor="{anchor}">{shown}</text>'


def _path(line: _Line, x: _Axis, y: _Axis) -> str:
    """A line through the known values, broken where there is none, held at the plot's foot."""
    steps, pen = [], "M"
    for at, value in zip(line.x, line.y, strict=True):
        if value is None or (y.log and value <= 0):
            pen = "M"
            continue
        steps.append(f"{pen}{x.at(at)} {y.at(max(value, y.low))}")
        pen = "L"
    return "".join(steps)


def _end(line: _Line, x: _Axis, y: _Axis) -> tuple[float, float]:
    """Where a line ends at the right."""
    known = [
        (at, value)
        for at, value in zip(line.x, line.y, strict=True)
        if value is not None and (value > 0 or not y.log)
    ]
    at, value = known[-1]
    return x.at(at), y.at(max(value, y.low))


def _end_labels(ends: list[tuple[str, float, float]], x: _Axis, y: _Axis) -> Iterable[str]:
    """Names right of the lines' ends, moved apart where they would touch."""
    ordered = sorted(ends, key=lambda end: end[2])
    places = _apart([at_y for _, _, at_y in ordered], y.end, y.start)
    for (label, at_x, at_y), place in zip(ordered, places, strict=True):
        yield f'<path class="tie" d="M{at_x + 3:g} {at_y}H{x.end + 2}L{x.end + 14} {place:g}"/>'
        yield _text(x.end + 18, place + 4, label, anchor="start")


def _apart(wanted: Sequence[float], top: float, bottom: float) -> list[float]:
    placed: list[float] = []
    for at in wanted:
        placed.append(max(at, placed[-1] + LABEL_GAP if placed else top))
    limit = bottom
    for i in reversed(range(len(placed))):
        placed[i] = min(placed[i], limit)
        limit = placed[i] - LABEL_GAP
    return placed
