"""A file's loudness and peak-to-loudness ratio over time, drawn as SVG."""

from collections.abc import Iterator
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from chainweigh.measure.series import LevelSeries
from chainweigh.report.formats import one_line, plain, with_minus

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 960, 520
LEFT, RIGHT = 64, 936
LOUDNESS_TOP, LOUDNESS_BOTTOM = 64, 330
PSR_TOP, PSR_BOTTOM = 376, 470
LEAST_SPAN_LU, LARGEST_SPAN_LU = 18, 36  # below the top; quieter stretches run along the foot
QUIET_SHARE = 0.05  # momentary loudness that need not fit in
TICK_LU, TICK_PSR_DB = 6, 5
N_TIME_TICKS = 8
TIME_STEPS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600)
STYLE = """
text { font: 13px system-ui, sans-serif; fill: #444848; }
.title { font-size: 16px; fill: #1d2021; }
.grid { stroke: #dad7cd; stroke-width: 1; }
.line { fill: none; stroke-linejoin: round; }
.momentary { stroke: #a9b4b8; stroke-width: 1; }
.short-term { stroke: #1f4e5f; stroke-width: 2; }
.psr { stroke: #7a2e5d; stroke-width: 2; }
.integrated { stroke: #1d2021; stroke-width: 1; stroke-dasharray: 5 4; }
"""


@dataclass(frozen=True)
class _Panel:
    """A plotting area: values from low to high between top and bottom, over so many seconds."""

    top: float
    bottom: float
    low: float
    high: float
    duration_s: float

    def x(self, time_s: Floats | float) -> Floats:
        return np.asarray(LEFT + (RIGHT - LEFT) * np.asarray(time_s) / self.duration_s)

    def y(self, value: Floats | float) -> Floats:
        share = (np.asarray(value) - self.low) / (self.high - self.low)
        return np.asarray(self.bottom - (self.bottom - self.top) * share)


def series_plot(name: str, series: LevelSeries) -> str:
    """Momentary, short-term and integrated loudness above, PSR below, as one SVG document."""
    return "\n".join(_lines(one_line(name), series)) + "\n"


def _lines(name: str, series: LevelSeries) -> Iterator[str]:
    title = escape(f"{name}: loudness over time")
    yield (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'width="{WIDTH}" height="{HEIGHT}" role="img" aria-label="{title}">'
    )
    yield f"<title>{title}</title>\n<style>{STYLE}</style>"
    yield f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>'
    yield f'<text class="title" x="{LEFT}" y="26">{escape(name)}</text>'
    if not series.momentary.times_s.size:
        yield f'<text x="{LEFT}" y="60">shorter than one window of 400 ms</text>\n</svg>'
        return
    duration_s = float(series.momentary.times_s[-1])
    yield from _loudness_lines(series, duration_s)
    yield from _psr_lines(series, duration_s)
    yield "</svg>"


def _loudness_lines(series: LevelSeries, duration_s: float) -> Iterator[str]:
    high = _ceiling(series.momentary.loudness_lufs, TICK_LU, rest=0.0)
    low = high - _span_lu(series.momentary.loudness_lufs, high)
    panel = _Panel(LOUDNESS_TOP, LOUDNESS_BOTTOM, low, high, duration_s)
    yield from _axes(panel, TICK_LU, "loudness, LUFS")
    for kind, line in (("momentary", series.momentary), ("short-term", series.short_term)):
        yield from _curve(panel, line.times_s, line.loudness_lufs, kind)
    keys = [("momentary", "momentary (400 ms)"), ("short-term", "short-term (3 s)")]
    if series.integrated_lufs is not None:
        y = float(panel.y(series.integrated_lufs))
        if panel.top <= y <= panel.bottom:
            yield _rule("integrated", LEFT, y, RIGHT, y)
        value = with_minus(plain(series.integrated_lufs))
        keys.append(("integrated", f"integrated {value} LUFS"))
    for place, (kind, text) in enumerate(keys):
        x = RIGHT - 200 * (len(keys) - place)
        yield _rule(kind, x, 46, x + 24, 46)
        yield f'<text x="{x + 30}" y="50">{text}</text>'


def _psr_lines(series: LevelSeries, duration_s: float) -> Iterator[str]:
    high = _ceiling(series.psr.psr_db, TICK_PSR_DB, rest=20.0)
    low = min(0.0, -_ceiling(-series.psr.psr_db, TICK_PSR_DB, rest=0.0))
    panel = _Panel(PSR_TOP, PSR_BOTTOM, low, max(high, low + TICK_PSR_DB), duration_s)
    yield from _axes(panel, TICK_PSR_DB, "peak to short-term loudness (PSR), dB")
    for stretch in np.split(np.arange(len(series.psr.times_s)), _gaps(series.psr.times_s)):
        yield from _curve(panel, series.psr.times_s[stretch], series.psr.psr_db[stretch], "psr")
    if series.psr.psr_min_db is None:
        reason = escape(series.psr.undefined["psr_min_db"])
        yield f'<text x="{LEFT + 12}" y="{(PSR_TOP + PSR_BOTTOM) / 2}">{reason}</text>'
    yield from _time_axis(panel)


def _ceiling(values: Floats, step: float, *, rest: float) -> float:
    """The tick at or above the largest finite value; `rest` where there is none."""
    finite = values[np.isfinite(values)]
    return float(step * np.ceil(finite.max() / step)) if finite.size else rest


def _span_lu(momentary_lufs: Floats, high: float) -> float:
    """Height of the loudness scale: whole ticks that hold all but the quietest moments."""
    finite = momentary_lufs[np.isfinite(momentary_lufs)]
    needed = high - float(np.quantile(finite, QUIET_SHARE)) if finite.size else LARGEST_SPAN_LU
    whole = TICK_LU * float(np.ceil(needed / TICK_LU))
    return min(max(whole, LEAST_SPAN_LU), LARGEST_SPAN_LU)


def _gaps(times_s: Floats) -> NDArray[np.intp]:
    """Where a series of one value a second leaves a second out."""
    return np.flatnonzero(np.diff(times_s) > 1.5) + 1


def _axes(panel: _Panel, step: float, text: str) -> Iterator[str]:
    for value in np.arange(panel.low, panel.high + step / 2, step):
        y = float(panel.y(float(value)))
        yield _rule("grid", LEFT, y, RIGHT, y)
        label = with_minus(plain(float(value), 0))
        yield f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{label}</text>'
    yield f'<text x="{LEFT}" y="{panel.top - 12}">{text}</text>'


def _time_axis(panel: _Panel) -> Iterator[str]:
    step = next((s for s in TIME_STEPS_S if panel.duration_s / s <= N_TIME_TICKS), 3600)
    for time_s in np.arange(0, panel.duration_s + step * 1e-6, step):
        x = float(panel.x(float(time_s)))
        yield _rule("grid", x, panel.bottom, x, panel.bottom + 5)
        label = _clock(float(time_s), step)
        yield f'<text x="{x:.1f}" y="{panel.bottom + 20}" text-anchor="middle">{label}</text>'
    x = (LEFT + RIGHT) / 2
    yield f'<text x="{x}" y="{HEIGHT - 10}" text-anchor="middle">time at the window\'s end</text>'


def _clock(time_s: float, step: float) -> str:
    if step < 1:
        return f"{time_s:.1f} s"
    minutes, seconds = divmod(round(time_s), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"


def _curve(panel: _Panel, times_s: Floats, values: Floats, kind: str) -> Iterator[str]:
    """One line a stretch of finite values, cut at the foot of the panel."""
    inside = np.isfinite(values)
    edges = np.flatnonzero(np.diff(inside.astype(np.int8), prepend=0, append=0))
    for start, stop in edges.reshape(-1, 2):
        x = panel.x(times_s[start:stop])
        y = np.clip(panel.y(values[start:stop]), panel.top, panel.bottom)
        points = " ".join(f"{a:.1f},{b:.1f}" for a, b in _thinned(x, y))
        yield f'<polyline class="line {kind}" points="{points}"/>'


def _thinned(x: Floats, y: Floats) -> Iterator[tuple[float, float]]:
    """Highest and lowest point of every column of one unit, so that no peak is lost."""
    if len(x) <= 2 * (RIGHT - LEFT):
        yield from zip(x.tolist(), y.tolist(), strict=True)
        return
    for part in np.split(np.arange(len(x)), np.flatnonzero(np.diff(np.floor(x))) + 1):
        for at in sorted({int(part[np.argmin(y[part])]), int(part[np.argmax(y[part])])}):
            yield float(x[at]), float(y[at])


def _rule(kind: str, x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line class="{kind}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'
