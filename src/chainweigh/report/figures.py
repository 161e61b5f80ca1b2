"""Small drawings of one candidate: distortion over level and frequency, change of the spectrum."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

from chainweigh.ranking.results import Candidate, ToneMeasures
from chainweigh.report.bench_table import frequency_text, nearest
from chainweigh.report.formats import one_line, plain
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

WIDTH, HEIGHT = 420, 260
BOX = Box(40, 214, 52, 330)
LEVELS_BELOW_DB = (0.0, 3.0, 8.0)
LINES_HZ = (63.0, 250.0, 1000.0, 4000.0)
DASHES = ("", "9 3", "5 3", "2 3")
LEAST_SPAN_DB = 2.0


@dataclass(frozen=True)
class Figure:
    """A drawing: what it is called in a file's name, what it shows in words, its elements."""

    name: str
    description: str
    body: str
    width: int = WIDTH
    height: int = HEIGHT

    @property
    def svg(self) -> str:
        """The element as it stands in the page, which styles it."""
        return (
            f'<svg class="lines" viewBox="0 0 {self.width} {self.height}" role="img" '
            f'aria-label="{escape(self.description)}">\n{self.body}\n</svg>'
        )


def candidate_figures(candidate: Candidate) -> tuple[Figure, ...]:
    """What there is to draw of a candidate's measures."""
    return tuple(_figures(candidate))


def _figures(candidate: Candidate) -> Iterable[Figure]:
    name = one_line(candidate.name)
    tones, spectrum = candidate.tones, candidate.spectrum
    if tones is not None and _is_table(tones):
        yield _figure("thdn-over-level", f"{name}: THD+N over level", _over_level(tones))
        yield _figure("thdn-over-frequency", f"{name}: THD+N over frequency", _over_hz(tones))
    if spectrum is not None and len(spectrum.centres_hz) > 1:
        panel = _spectrum(spectrum.centres_hz, spectrum.change_db)
        yield _figure("spectrum-change", f"{name}: change of each third octave", panel)


def _figure(name: str, description: str, panel: Panel) -> Figure:
    return Figure(name, description, "\n".join(drawn(panel)))


def _is_table(tones: ToneMeasures) -> bool:
    """Rows and columns as they should be, which a file edited by hand need not have."""
    n_hz, n_levels = len(tones.frequencies_hz), len(tones.levels_dbfs)
    full = len(tones.thdn_pct) == n_hz and all(len(row) == n_levels for row in tones.thdn_pct)
    return full and n_hz > 1 and n_levels > 1 and any(v for row in tones.thdn_pct for v in row)


def _over_level(tones: ToneMeasures) -> Panel:
    shown = dict.fromkeys(nearest(tones.frequencies_hz, hz) for hz in LINES_HZ)
    order = sorted(range(len(tones.levels_dbfs)), key=lambda j: tones.levels_dbfs[j])
    levels = [tones.levels_dbfs[j] for j in order]
    lines = [
        Line(
            f"{frequency_text(tones.frequencies_hz[i])} Hz",
            levels,
            [tones.thdn_pct[i][j] for j in order],
            dash,
        )
        for i, dash in zip(shown, DASHES, strict=False)
    ]
    y, y_ticks = decades(lines, BOX)
    x = Axis(levels[0], levels[-1], BOX.left, BOX.right)
    return Panel("THD+N over level, %", x, y, even_ticks(x, 5), y_ticks, "tone's peak, dBFS", lines)


def _over_hz(tones: ToneMeasures) -> Panel:
    peak = max(tones.levels_dbfs)
    shown = dict.fromkeys(nearest(tones.levels_dbfs, peak - below) for below in LEVELS_BELOW_DB)
    lines = [
        Line(
            f"{plain(tones.levels_dbfs[j], 1)} dBFS",
            tones.frequencies_hz,
            [row[j] for row in tones.thdn_pct],
            dash,
        )
        for j, dash in zip(shown, DASHES, strict=False)
    ]
    y, y_ticks = decades(lines, BOX)
    x, x_ticks = frequency_axis(tones.frequencies_hz[0], tones.frequencies_hz[-1], BOX)
    return Panel("THD+N over frequency, %", x, y, x_ticks[::2], y_ticks, "Hz", lines)


def _spectrum(centres_hz: Sequence[float], change_db: Sequence[float | None]) -> Panel:
    known = [value for value in change_db if value is not None]
    span = max(LEAST_SPAN_DB, *(abs(value) for value in known)) if known else LEAST_SPAN_DB
    y = Axis(-1.1 * span, 1.1 * span, BOX.bottom, BOX.top)
    x, x_ticks = frequency_axis(centres_hz[0], centres_hz[-1], BOX)
    line = Line("", centres_hz, change_db)
    missing = "" if known else "no band has energy"
    return Panel(
        "Third octaves, change in dB", x, y, x_ticks[::2], even_ticks(y, 4), "Hz", [line], missing
    )
