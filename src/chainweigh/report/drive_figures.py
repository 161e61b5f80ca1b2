"""Drive curves of a searched setting: what each drive gains, what it costs, where it must stop."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from chainweigh.ranking.results import Search
from chainweigh.report.figures import BOX, Figure
from chainweigh.report.formats import one_line
from chainweigh.report.line_plot import Axis, Line, Panel, drawn, even_ticks

CURVES = (
    ("gain", "Loudness gain in the mix, LU", "loudness_gain_lu"),
    ("distortion", "Distortion, %", "thdn_programme_pct"),
    ("disturbed", "Disturbed in the mix, %", "disturbed_pct"),
)
LEAST_SPAN = 0.1


def drive_figures(search: Search) -> Iterable[Figure]:
    """One drawing a quantity that two drives or more were measured for; deeper is further right."""
    gentle_first = sorted(
        search.curve, key=lambda point: point.setting_db, reverse=search.to_db < search.from_db
    )
    for name, title, field in CURVES:
        known = [(p.setting_db, v) for p in gentle_first if (v := getattr(p, field)) is not None]
        if len(known) > 1 and known[0][0] != known[-1][0]:
            yield _figure(search, name, title, known)


def _figure(search: Search, name: str, title: str, known: Sequence[tuple[float, float]]) -> Figure:
    settings, values = [at for at, _ in known], [value for _, value in known]
    spare = max(0.08 * (max(values) - min(values)), LEAST_SPAN / 2)
    y = Axis(min(values) - spare, max(values) + spare, BOX.bottom, BOX.top)
    x = Axis(settings[0], settings[-1], BOX.left, BOX.right)
    ticks = even_ticks(replace(x, low=min(settings), high=max(settings)), 4)
    unit = f"dB re {search.level}" if search.level else search.unit
    label = one_line(f"{search.parameter}, {unit}")
    panel = Panel(title, x, y, ticks, even_ticks(y, 4), label, [Line("", settings, values)])
    said = one_line(f"{title} over {search.parameter} of {search.effect}: {search.said}")
    stage = f"stage-{search.stage}-{search.parameter.replace('_', '-')}"
    return Figure(f"drive-{stage}-{name}", said, "\n".join([*drawn(panel), *_marks(search, x, y)]))


def _marks(search: Search, x: Axis, y: Axis) -> Iterable[str]:
    """What was found, and the first setting known to be over budget."""
    for at, kind, text in (
        (search.found_db, "found", "found"),
        (search.crossed_at_db, "worst", "over budget"),
    ):
        if at is not None and min(x.low, x.high) <= at <= max(x.low, x.high):
            foot = y.end + (12 if kind == "found" else 26)
            yield f'<path class="{kind}" d="M{x.at(at)} {y.end}V{y.start}"/>'
            yield f'<text class="{kind}-text" x="{x.at(at) + 5:g}" y="{foot:g}">{text}</text>'
