"""A chain's Pareto front in words, for the terminal, the page and tables."""

from collections.abc import Iterator

from chainweigh.ranking.front_results import Front
from chainweigh.report.formats import percent, signed

N_SHOWN = 8


def front_texts(front: Front | None) -> Iterator[str]:
    """The front in one sentence, and up to eight of its settings spread over it."""
    if front is None:
        return
    n_points = len(front.points)
    yield f"{n_points} of {front.n_evaluated} settings are on the Pareto front inside the budget."
    n_shown = min(N_SHOWN, n_points)
    for i in range(n_shown):
        point = front.points[round(i * (n_points - 1) / max(1, n_shown - 1))]
        gain, added = signed(point.loudness_gain_lu), percent(point.added_thdn_pct)
        yield f"{gain} LU for {added} %: {', '.join(point.settings)}"
