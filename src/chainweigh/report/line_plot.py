"""Lines over an axis, drawn as SVG: scales, ticks, and names at the lines' ends."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from chainweigh.report.formats import one_line, with_minus

LABEL_GAP = 14.0
LEAST_DECADES = 2
FREQUENCY_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)

Ticks = list[tuple[float, str]]
Values = Sequence[float | None]


@dataclass(frozen=True)
class Axis:
    """From a value to drawing units; `log` spaces decades evenly."""

    low: float
    high: float
    start: float
    end: float
    log: bool = False

    def at(self, value: float) -> float:
        """Where a value lies."""
        low, high, value = (
            (math.log10(v) if self.log else v) for v in (self.low, self.high, value)
        )
        return round(self.start + (value - low) / (high - low) * (self.end - self.start), 2)


@dataclass(frozen=True)
class Line:
    """Values along an axis, None where there is none; its label stands at its end."""

    label: str
    x: Sequence[float]
    y: Values
    dash: str = ""
    floor: bool = False


@dataclass(frozen=True)
class Panel:
    """One plotting area with its axes and lines; `missing` says why it is empty."""

    title: str
    x: Axis
    y: Axis
    x_ticks: Ticks
    y_ticks: Ticks
    x_label: str
    lines: Sequence[Line]
    missing: str = ""


@dataclass(frozen=True)
class Box:
    """Edges of a plotting area."""

    top: float
    bottom: float
    left: float
    right: float


def frequency_axis(low_hz: float, high_hz: float, box: Box) -> tuple[Axis, Ticks]:
    """A logarithmic axis of frequency."""
    x = Axis(low_hz, high_hz, box.left, box.right, log=True)
    ticks = [
        (float(hz), f"{hz // 1000}k" if hz >= 1000 else str(hz))
        for hz in FREQUENCY_TICKS_HZ
        if 0.99 * low_hz <= hz <= 1.01 * high_hz
    ]
    return x, ticks


def decades(lines: Iterable[Line], box: Box) -> tuple[Axis, Ticks]:
    """A logarithmic axis over whole decades that holds every value."""
    values = [y for line in lines for y in line.y if y]
    first = math.floor(math.log10(min(values, default=1e-6)) + 1e-9)
    last = max(math.ceil(math.log10(max(values, default=1.0)) - 1e-9), first + LEAST_DECADES)
    y = Axis(10.0**first, 10.0**last, box.bottom, box.top, log=True)
    return y, [(10.0**d, f"{10.0**d:g}" if d >= -3 else f"1e{d}") for d in range(first, last + 1)]


def even_ticks(axis: Axis, n_ticks: int) -> Ticks:
    """Steps of 1, 2 or 5 times a power of ten along an axis."""
    rough = (axis.high - axis.low) / n_ticks
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough * 0.999999)
    first, last = math.ceil(axis.low / step - 1e-9), math.floor(axis.high / step + 1e-9)
    return [(i * step, f"{i * step:g}") for i in range(first, last + 1)]


def drawn(panel: Panel) -> Iterable[str]:
    """A panel as SVG elements."""
    x, y = panel.x, panel.y
    yield f'<text class="head" x="{panel.x.start:g}" y="{y.end - 14:g}">{panel.title}</text>'
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


def _path(line: Line, x: Axis, y: Axis) -> str:
    """A line through the known values, broken where there is none, held at the plot's foot."""
    steps, pen = [], "M"
    for at, value in zip(line.x, line.y, strict=True):
        if value is None or (y.log and value <= 0):
            pen = "M"
            continue
        steps.append(f"{pen}{x.at(at)} {y.at(max(value, y.low))}")
        pen = "L"
    return "".join(steps)


def _end(line: Line, x: Axis, y: Axis) -> tuple[float, float]:
    """Where a line ends at the right."""
    known = [
        (at, value)
        for at, value in zip(line.x, line.y, strict=True)
        if value is not None and (value > 0 or not y.log)
    ]
    at, value = known[-1]
    return x.at(at), y.at(max(value, y.low))


def _end_labels(ends: list[tuple[str, float, float]], x: Axis, y: Axis) -> Iterable[str]:
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
