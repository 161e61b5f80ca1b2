"""Geometry of the plot: loudness gain against added distortion, one point a candidate."""

import itertools
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from chainweigh.ranking.results import Candidate, Comparison
from chainweigh.ranking.settings import RankSettings
from chainweigh.report.formats import number, one_line, with_minus
from chainweigh.report.text_table import cut, display_width

LABEL_CELLS = 26
MARK = 5.5


@dataclass(frozen=True)
class Frame:
    """Size of a drawing and the margins around its plotting area, in drawing units."""

    kind: str
    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    letter: float
    n_ticks: int


WIDE = Frame("wide", 880, 440, 58, 24, 22, 50, 7.2, 8)
NARROW = Frame("narrow", 360, 380, 46, 12, 20, 48, 6.6, 4)


@dataclass(frozen=True)
class Tick:
    """A labelled position along an axis."""

    at: float
    text: str


@dataclass(frozen=True)
class Label:
    """Text beside a point."""

    x: float
    y: float
    anchor: str
    text: str


@dataclass(frozen=True)
class Point:
    """A candidate's mark. `kind` is winner, front, within or over; `beyond` is off the right."""

    x: float
    y: float
    kind: str
    beyond: bool
    title: str
    label: Label | None
    is_named: bool


@dataclass(frozen=True)
class Plot:
    """Everything the drawing needs, in its own units."""

    frame: Frame
    points: tuple[Point, ...]
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    zero_y: float
    front: str
    score_line: str
    budget_x: float | None
    budget_text: str
    description: str


@dataclass(frozen=True)
class _Range:
    low: float
    high: float


@dataclass(frozen=True)
class _Scale:
    """From percent and LU to drawing units."""

    frame: Frame
    x: _Range
    y: _Range

    def at_x(self, pct: float) -> float:
        share = (pct - self.x.low) / (self.x.high - self.x.low)
        inner = self.frame.width - self.frame.left - self.frame.right
        return round(self.frame.left + share * inner, 2)

    def at_y(self, lu: float) -> float:
        share = (lu - self.y.low) / (self.y.high - self.y.low)
        inner = self.frame.height - self.frame.top - self.frame.bottom
        return round(self.frame.height - self.frame.bottom - share * inner, 2)


def plot_comparison(comparison: Comparison, settings: RankSettings, frame: Frame) -> Plot | None:
    """The plot of one comparison, or None where no candidate has both numbers."""
    shown = plottable(comparison)
    if not shown:
        return None
    budget = settings.budget.thdn_programme_pct
    scale = _scale(frame, [_place(c) for c in shown], budget)
    budget_inside = budget <= scale.x.high
    return Plot(
        frame=frame,
        points=_points(comparison, shown, scale),
        x_ticks=_ticks(scale.x, scale.at_x, frame.n_ticks),
        y_ticks=_ticks(scale.y, scale.at_y, 6),
        zero_y=scale.at_y(0.0),
        front=_front_path(shown, scale),
        score_line=_score_line(comparison, shown, settings.price_lu_per_pct, scale),
        budget_x=scale.at_x(budget) if budget_inside else None,
        budget_text=f"budget {budget:g} %",
        description=_description(comparison, shown, budget),
    )


def plottable(comparison: Comparison) -> list[Candidate]:
    """Candidates with a loudness gain and an added distortion."""
    return [c for c in comparison.candidates if _has_place(c)]


def _has_place(candidate: Candidate) -> bool:
    standing = candidate.standing
    return (
        candidate.failure is None
        and standing.loudness_gain_lu is not None
        and standing.added_thdn_pct is not None
    )


def _place(candidate: Candidate) -> tuple[float, float]:
    standing = candidate.standing
    return standing.added_thdn_pct or 0.0, standing.loudness_gain_lu or 0.0


def _scale(frame: Frame, places: list[tuple[float, float]], budget: float) -> _Scale:
    """Axes from zero; what lies far over budget goes to the edge rather than squash the rest."""
    pcts = [pct for pct, _ in places]
    far = max(2.0 * budget, _median(pcts) * 4)
    right = max([pct for pct in pcts if pct <= far] or [far])
    if right < budget <= 1.7 * right:
        right = budget
    left = min(0.0, *pcts)
    right = max(right, left + 0.1)
    lus = [lu for _, lu in places] + [0.0]
    low, high = min(lus), max(lus)
    spread = max(high - low, 0.2)
    x = _Range(left - 0.02 * (right - left), right + 0.08 * (right - left))
    return _Scale(frame, x, _Range(low - 0.10 * spread, high + 0.12 * spread))


def _median(values: list[float]) -> float:
    ordered = sorted(values)
    return ordered[len(ordered) // 2]


def _step(span: float, n_ticks: int) -> float:
    """The smallest 1, 2 or 5 times a power of ten that needs at most n_ticks."""
    rough = span / n_ticks
    power = 10.0 ** math.floor(math.log10(rough))
    return next(m * power for m in (1, 2, 5, 10) if m * power >= rough * 0.999999)


def _ticks(axis: _Range, at: Callable[[float], float], n_ticks: int) -> tuple[Tick, ...]:
    step = _step(axis.high - axis.low, n_ticks)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(axis.low / step), math.floor(axis.high / step)
    return tuple(
        Tick(at(i * step), with_minus(f"{i * step + 0.0:.{decimals}f}"))
        for i in range(first, last + 1)
    )


def _front_corners(shown: Iterable[Candidate], scale: _Scale) -> list[tuple[float, float]]:
    """Points of the Pareto front from the left, then the right edge at the last one's height."""
    places = sorted(_place(c) for c in shown if c.standing.on_pareto_front)
    inside = [(scale.at_x(pct), scale.at_y(lu)) for pct, lu in places if pct <= scale.x.high]
    return [*inside, (scale.at_x(scale.x.high), inside[-1][1])] if inside else []


def _front_path(shown: Iterable[Candidate], scale: _Scale) -> str:
    """Steps along the Pareto front: what loudness a distortion buys at the most."""
    corners = _front_corners(shown, scale)
    if not corners:
        return ""
    first, *rest = corners
    return f"M{first[0]} {first[1]}" + "".join(f"H{x}V{y}" for x, y in rest)


def _score_line(
    comparison: Comparison, shown: Iterable[Candidate], price: float, scale: _Scale
) -> str:
    """The line along which candidates score the same as the winner, cut to the plot."""
    winner = next((c for c in shown if c.name == comparison.winner), None)
    if winner is None:
        return ""
    pct, lu = _place(winner)
    left, right = scale.x.low, scale.x.high
    if price > 0:
        left = max(left, pct + (scale.y.low - lu) / price)
        right = min(right, pct + (scale.y.high - lu) / price)
    if right <= left:
        return ""
    ends = ((x, lu + price * (x - pct)) for x in (left, right))
    return "M" + "L".join(f"{scale.at_x(x)} {scale.at_y(y)}" for x, y in ends)


def _kind(comparison: Comparison, candidate: Candidate) -> str:
    if candidate.name == comparison.winner:
        return "winner"
    if not candidate.standing.within_budget:
        return "over"
    return "front" if candidate.standing.on_pareto_front else "within"


_ORDER = ("winner", "front", "within", "over")


def _points(comparison: Comparison, shown: list[Candidate], scale: _Scale) -> tuple[Point, ...]:
    """Marks with labels where there is room: the winner first, then the front, then by rank."""
    frame = scale.frame
    edge = frame.width - frame.right - MARK
    spots = []
    for candidate in shown:
        pct, lu = _place(candidate)
        beyond = pct > scale.x.high
        spots.append((candidate, edge if beyond else scale.at_x(pct), scale.at_y(lu), beyond))
    lines = _line_boxes(shown, scale)
    taken = [(x - MARK - 1, y - MARK - 1, x + MARK + 1, y + MARK + 1) for _, x, y, _ in spots]
    spots.sort(key=lambda s: (_ORDER.index(_kind(comparison, s[0])), s[0].standing.rank))
    points = []
    for candidate, x, y, beyond in spots:
        label = _label(candidate, (x, y), frame, taken, lines)
        kind = _kind(comparison, candidate)
        named = label is not None and label.text != str(candidate.standing.rank)
        points.append(Point(x, y, kind, beyond, point_title(candidate), label, named))
    return tuple(reversed(points))


_Box = tuple[float, float, float, float]


def _label(
    candidate: Candidate,
    at: tuple[float, float],
    frame: Frame,
    taken: list[_Box],
    lines: list[_Box],
) -> Label | None:
    """The name beside its mark, clear of lines if it can be; else its rank alone; else nothing."""
    name = cut(one_line(candidate.name), LABEL_CELLS)
    for text, in_the_way in ((name, lines), (name, []), (str(candidate.standing.rank), [])):
        for label, box in _positions(text, *at, frame.letter):
            if _inside(box, frame) and not any(_overlap(box, o) for o in (*taken, *in_the_way)):
                taken.append(box)
                return label
    return None


def _inside(box: _Box, frame: Frame) -> bool:
    across = box[0] >= frame.left and box[2] <= frame.width - 2
    return across and box[1] >= 2 and box[3] <= frame.height - frame.bottom


def _line_boxes(shown: Iterable[Candidate], scale: _Scale) -> list[_Box]:
    """The steps of the front and the zero line, as boxes of no width."""
    zero, right = scale.at_y(0.0), scale.frame.width
    boxes: list[_Box] = [(scale.frame.left, zero - 1, right, zero + 1)]
    corners = _front_corners(shown, scale)
    for (x, y), (next_x, next_y) in itertools.pairwise(corners):
        boxes.append((x, y - 1, next_x, y + 1))
        boxes.append((next_x - 1, min(y, next_y), next_x + 1, max(y, next_y)))
    return boxes


def _positions(text: str, x: float, y: float, letter: float) -> Iterable[tuple[Label, _Box]]:
    width, tall, gap = display_width(text) * letter + 3, 14.0, MARK + 4
    for dy in (4.5, -9.0, 18.0):
        yield (
            Label(x + gap, y + dy, "start", text),
            (x + gap, y + dy - 11, x + gap + width, y + dy + 3),
        )
        yield (
            Label(x - gap, y + dy, "end", text),
            (x - gap - width, y + dy - 11, x - gap, y + dy + 3),
        )
    for dy in (-gap - 2, gap + 11):
        box = (x - width / 2, y + dy - 11, x + width / 2, y + dy - 11 + tall)
        yield Label(x, y + dy, "middle", text), box


def _overlap(one: _Box, other: _Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def point_title(candidate: Candidate) -> str:
    """A candidate's place in words, with its numbers."""
    standing = candidate.standing
    pct, lu = _place(candidate)
    return (
        f"{one_line(candidate.name)}: rank {standing.rank}, "
        f"{with_minus(number('loudness_gain_lu', lu))} LU for "
        f"{with_minus(number('added_thdn_pct', pct))} % added distortion, "
        f"{'within' if standing.within_budget else 'over'} budget"
    )


def _description(comparison: Comparison, shown: list[Candidate], budget: float) -> str:
    best = max(shown, key=lambda c: _place(c)[1])
    front = sum(c.standing.on_pareto_front for c in shown)
    return (
        f"{len(shown)} candidates. Across: added distortion in percent. Up: loudness gain in LU. "
        f"Most gain: {point_title(best)}. {front} on the Pareto front. "
        f"Winner: {one_line(comparison.winner)}. Budget: {budget:g} % distortion. "
        "The table below holds the same numbers."
    )
