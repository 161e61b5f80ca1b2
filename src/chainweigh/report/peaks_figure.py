"""Whose the mix's peaks are: each group's share of them, dry and in the chosen set."""

from collections.abc import Iterable
from html import escape

from chainweigh.ranking.set_results import Peaks
from chainweigh.report.figures import Figure
from chainweigh.report.formats import one_line, plain, with_minus
from chainweigh.report.line_plot import Axis
from chainweigh.report.text_table import cut

WIDTH, HEAD, ROW, BAR = 880, 44, 46, 14
NAME_X, LEFT, RIGHT = 16, 220, 750
NAME_CELLS = 24


def peaks_figure(before: Peaks, after: Peaks) -> Figure:
    """Two bars a group; a share below zero pulls the peak down."""
    shares = {share.group: share.share_pct for share in after.shares}
    values = [*(s.share_pct for s in before.shares), *shares.values()]
    x = Axis(min(0.0, *values), max(1.0, *values), LEFT, RIGHT)
    body = [f'<text class="head" x="{NAME_X}" y="20">Share of the mix\'s highest peaks, %</text>']
    told = []
    for row, share in enumerate(before.shares):
        top = HEAD + row * ROW
        name = one_line(share.group)
        body.append(f'<text x="{NAME_X}" y="{top + 18}">{escape(cut(name, NAME_CELLS))}</text>')
        body += _bar("before", x, top, share.share_pct, "before")
        told.append(f"{name} {plain(share.share_pct, 0)} % before")
        if share.group in shares:
            body += _bar("after", x, top + BAR + 3, shares[share.group], "in the set")
            told[-1] += f", {plain(shares[share.group], 0)} % in the set"
    height = HEAD + len(before.shares) * ROW
    said = f"Share of each group in the mix's highest peaks: {'; '.join(told)}"
    return Figure("peaks", said, "\n".join(body), WIDTH, height)


def _bar(kind: str, x: Axis, top: float, value: float, text: str) -> Iterable[str]:
    left, right = sorted((x.at(0.0), x.at(value)))
    label = escape(with_minus(f"{plain(value, 0)} % {text}"))
    yield f'<path class="wave {kind}" d="M{left} {top}H{right}v{BAR}H{left}z"/>'
    yield f'<text class="soft" x="{right + 6:g}" y="{top + 12:g}">{label}</text>'
