"""Drawings of a song over time, before and after: waveform, loudness, one moment's samples."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from chainweigh.ranking.listening import file_inside
from chainweigh.ranking.overview import Moment, Overview, read_moment, read_overview
from chainweigh.ranking.results import MASTER, Comparison, Results
from chainweigh.report.figures import BOX as SMALL_BOX
from chainweigh.report.figures import HEIGHT as SMALL_HEIGHT
from chainweigh.report.figures import WIDTH as SMALL_WIDTH
from chainweigh.report.figures import Figure
from chainweigh.report.in_mix import deciding
from chainweigh.report.line_plot import Axis, Box, Line, Panel, drawn, even_ticks

WIDTH, HEIGHT = 880, 240
BOX = Box(36, 196, 52, 770)
LEAST_SPAN_LU = 12.0
LARGEST_SPAN_LU = 36.0


@dataclass(frozen=True)
class BeforeAfter:
    """Drawings of one candidate against its reference."""

    candidate: str
    figures: tuple[Figure, ...]


def before_after(comparison: Comparison, folder: Path, sample_rate_hz: int) -> BeforeAfter | None:
    """What the best chain that does anything did to its group; None without audio."""
    best = next((c for c in comparison.candidates if c.stages and c.failure is None), None)
    reference = file_inside(folder, comparison.reference_audio)
    taken = file_inside(folder, best.audio) if best else None
    if best is None or reference is None or taken is None:
        return None
    before, after = read_overview([reference]), read_overview([taken])
    if before is None or after is None:
        return None
    heard = deciding(best) or best.soloed
    moments = heard.worst_moments_s if heard else ()
    moment = read_moment(reference, taken, moments[0], sample_rate_hz) if moments else None
    figures = [
        waveform_figure(before, after, moments),
        loudness_figure([("before", before), ("after", after)], small=True),
    ]
    if moment is not None:
        figures.append(moment_figure(moment))
    return BeforeAfter(best.name, tuple(figures))


def song_figures(results: Results, folder: Path) -> tuple[Figure, ...]:
    """Loudness over time of the mix as it came, with the set, and of the delivered master."""
    groups = [c for c in results.comparisons if c.scope != MASTER]
    masters = [c for c in results.comparisons if c.scope == MASTER]
    sources = (
        ("mix as it came", [c.reference_audio for c in groups]),
        ("with the set", [c.reference_audio for c in masters]),
        ("master", [results.chosen.master_audio]),
    )
    lines = []
    for label, paths in sources:
        files = [file_inside(folder, path) for path in paths]
        overview = read_overview([f for f in files if f is not None]) if all(files) else None
        if overview is not None:
            lines.append((label, overview))
    return (loudness_figure(lines),) if lines else ()


def waveform_figure(before: Overview, after: Overview, moments_s: Sequence[float]) -> Figure:
    """The whole song's waveform before, behind, and after, in front, with its worst moments."""
    peak = max(float(np.abs(part).max(initial=0.0)) for o in (before, after) for part in _edges(o))
    peak = peak or 1.0
    x = Axis(0.0, before.duration_s, BOX.left, BOX.right)
    y = Axis(-peak, peak, BOX.bottom, BOX.top)
    panel = Panel("Waveform, before behind and after in front", x, y, even_ticks(x, 8), [], "s", [])
    marks = (
        f'<path class="worst" d="M{x.at(at)} {y.end - 6}V{y.start}"/>'
        for at in moments_s
        if 0 <= at <= before.duration_s
    )
    body = [
        *drawn(panel),
        f'<path class="wave before" d="{_silhouette(before, x, y)}"/>',
        f'<path class="wave after" d="{_silhouette(after, x, y)}"/>',
        *marks,
    ]
    told = ", ".join(f"{at:g} s" for at in moments_s) or "none"
    return Figure(
        "waveform",
        f"Waveform of the whole song before and after; worst moments: {told}",
        "\n".join(body),
        WIDTH,
        HEIGHT,
    )


def _edges(overview: Overview) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    return overview.lowest, overview.highest


def _silhouette(overview: Overview, x: Axis, y: Axis) -> str:
    """Along the highest samples and back along the lowest."""
    columns = (np.arange(len(overview.highest)) + 0.5) / len(overview.highest)
    at = [x.at(float(c) * overview.duration_s) for c in columns]
    top = [f"{a:.1f} {y.at(float(v)):.1f}" for a, v in zip(at, overview.highest, strict=True)]
    foot = [f"{a:.1f} {y.at(float(v)):.1f}" for a, v in zip(at, overview.lowest, strict=True)]
    return "M" + "L".join([*top, *reversed(foot)]) + "Z"


def loudness_figure(lines: Sequence[tuple[str, Overview]], *, small: bool = False) -> Figure:
    """Short-term loudness over time, one line for each."""
    series = [(label, o.short_term.times_s, o.short_term.loudness_lufs) for label, o in lines]
    finite = np.concatenate([s[np.isfinite(s)] for _, _, s in series])
    names = " and ".join(label for label, _ in lines)
    box = SMALL_BOX if small else BOX
    x = Axis(0.0, max(o.duration_s for _, o in lines), box.left, box.right)
    high = float(np.ceil(finite.max() / 3) * 3) if finite.size else 0.0
    low = float(np.floor(finite.min() / 3) * 3) if finite.size else high - LEAST_SPAN_LU
    low = min(max(low, high - LARGEST_SPAN_LU), high - LEAST_SPAN_LU)
    y = Axis(low, high, box.bottom, box.top)
    shown = [
        Line(label, times.tolist(), _known(values), dash, floor=dash != "")
        for (label, times, values), dash in zip(series, ("2 3", "", "8 3"), strict=False)
    ]
    panel = Panel(
        "Short-term loudness, LUFS",
        x,
        y,
        even_ticks(x, 4 if small else 8),
        even_ticks(y, 4),
        "s",
        shown,
        "" if finite.size else "shorter than 3 s, or silent",
    )
    told = f"Short-term loudness over time: {names}"
    size = (SMALL_WIDTH, SMALL_HEIGHT) if small else (WIDTH, HEIGHT)
    return Figure("loudness", told, "\n".join(drawn(panel)), *size)


def _known(values: NDArray[np.float64]) -> list[float | None]:
    return [float(v) if np.isfinite(v) else None for v in values]


def moment_figure(moment: Moment) -> Figure:
    """A few milliseconds around the worst moment, sample by sample."""
    lines = list(_moment_lines(moment))
    peak = max(float(np.abs(v).max(initial=0.0)) for v in (moment.reference, moment.candidate))
    y = Axis(-1.05 * (peak or 1.0), 1.05 * (peak or 1.0), SMALL_BOX.bottom, SMALL_BOX.top)
    x = Axis(
        0.0, 1000 * len(moment.reference) / moment.sample_rate_hz, SMALL_BOX.left, SMALL_BOX.right
    )
    title = f"The worst moment, from {moment.at_s:.3f} s"
    panel = Panel(title, x, y, even_ticks(x, 5), even_ticks(y, 4), "ms", lines)
    return Figure("worst-moment", f"{title}: samples before and after", "\n".join(drawn(panel)))


def _moment_lines(moment: Moment) -> Iterable[Line]:
    step = max(1, len(moment.reference) // 480)
    times_ms = 1000 * np.arange(len(moment.reference))[::step] / moment.sample_rate_hz
    yield Line("before", times_ms.tolist(), moment.reference[::step].tolist(), "2 3", floor=True)
    yield Line("after", times_ms.tolist(), moment.candidate[::step].tolist())
