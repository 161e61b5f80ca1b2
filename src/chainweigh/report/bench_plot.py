"""Drawing of a chain's readings on the tone bench: one SVG of three plots, one above the other."""

from xml.sax.saxutils import escape

from chainweigh.render.bench import BenchResults
from chainweigh.report.bench_table import frequency_text, nearest
from chainweigh.report.formats import one_line, plain, with_minus
from chainweigh.report.line_plot import (
    Axis,
    Box,
    Line,
    Panel,
    decades,
    drawn,
    even_ticks,
    frequency_axis,
)
from chainweigh.report.text_table import cut

WIDTH, PANEL_HEIGHT, HEAD = 880, 320, 64
LEFT, RIGHT, TOP, BOTTOM = 66, 104, 40, 44
TITLE_CELLS = 70
LEVELS_BELOW_DB = (0.0, 2.0, 4.0, 8.0, 20.0)
LEVEL_PLOT_HZ = (63.0, 250.0, 1000.0, 4000.0)
LEAST_SPAN_DB = 6.0
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
            *(part for panel in panels for part in drawn(panel)),
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


def _box(number: int) -> Box:
    top = HEAD + number * PANEL_HEIGHT
    return Box(top + TOP, top + PANEL_HEIGHT - BOTTOM, LEFT, WIDTH - RIGHT)


def _over_frequency(results: BenchResults, box: Box) -> Panel:
    shown = dict.fromkeys(
        nearest(results.levels_dbfs, results.peak_dbfs - below) for below in LEVELS_BELOW_DB
    )
    lines = [
        Line(
            f"{plain(results.levels_dbfs[j], 1)} dBFS",
            results.frequencies_hz,
            [row[j] for row in results.measured.thdn_pct],
            DASHES[n],
        )
        for n, j in enumerate(shown)
    ]
    floor = [max((p for p in row if p is not None), default=None) for row in results.floor.thdn_pct]
    lines.append(Line("floor", results.frequencies_hz, floor, floor=True))
    y, y_ticks = decades(lines, box)
    x, x_ticks = frequency_axis(*_ends_hz(results), box)
    return Panel("THD+N over frequency, %", x, y, x_ticks, y_ticks, "Hz", lines)


def _over_level(results: BenchResults, box: Box) -> Panel:
    shown = dict.fromkeys(nearest(results.frequencies_hz, hz) for hz in LEVEL_PLOT_HZ)
    levels = results.levels_dbfs
    lines = [
        Line(
            f"{frequency_text(results.frequencies_hz[i])} Hz",
            levels,
            results.measured.thdn_pct[i],
            DASHES[n],
        )
        for n, i in enumerate(shown)
    ]
    columns = zip(*results.floor.thdn_pct, strict=True)
    floor = [max((p for p in column if p is not None), default=None) for column in columns]
    lines.append(Line("floor", levels, floor, floor=True))
    y, y_ticks = decades(lines, box)
    x = Axis(levels[0], levels[-1], box.left, box.right)
    x_ticks = even_ticks(x, 6)
    return Panel("THD+N over level, %", x, y, x_ticks, y_ticks, "peak of the tone, dBFS", lines)


def _response(results: BenchResults, box: Box) -> Panel:
    frequencies, measured = results.response_frequencies_hz, results.measured
    known = [gain for gain in measured.gain_db if gain is not None]
    high = max(known, default=0.0)
    low = max(min(known, default=0.0), high - DEEPEST_DB)
    spare = max(0.08 * (high - low), (LEAST_SPAN_DB - (high - low)) / 2)
    y = Axis(low - spare, high + spare, box.bottom, box.top)
    x, x_ticks = frequency_axis(*_ends_hz(results), box)
    lines = [
        Line("chain", frequencies, measured.gain_db),
        Line("floor", frequencies, results.floor.gain_db, floor=True),
    ]
    missing = measured.undefined.get("response_level_dbfs", "")
    return Panel(
        "Gain where the chain is linear, dB", x, y, x_ticks, even_ticks(y, 5), "Hz", lines, missing
    )


def _ends_hz(results: BenchResults) -> tuple[float, float]:
    return results.response_frequencies_hz[0], results.response_frequencies_hz[-1]
