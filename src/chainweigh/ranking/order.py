"""Candidates of one comparison put in order: score, budget, Pareto front, and the reasons."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise, permutations
from math import inf

from chainweigh.chain.chain import BYPASS_NAME
from chainweigh.ranking.pareto_search import non_dominated
from chainweigh.ranking.results import PriceRange, Standing
from chainweigh.ranking.settings import RankSettings

LIMITS = (
    ("thdn_programme_pct", "distortion", "%"),
    ("disturbed_pct", "disturbed frames in the mix", "%"),
    ("disturbed_onsets_pct", "disturbed onsets in the mix", "%"),
    ("punch_loss_db", "punch lost", "dB"),
    ("gain_movement_db", "gain movement", "dB"),
)


@dataclass(frozen=True)
class Entry:
    """What the order depends on. Gains in LU, distortion in percent, None where undefined.

    `limited` holds what the budget limits, under the budget's own names; `moments_s` the seconds
    where what is limited is worst, under the same names, worst first.
    """

    name: str
    failure: str | None
    gain_lu: float | None
    gain_dry_lu: float | None
    gain_soloed_lu: float | None
    added_pct: float | None
    tone_gain_lu: float | None = None
    ranked_by: str = "tones"
    distortion_pct: float | None = None
    limited: Mapping[str, float | None] = field(default_factory=dict)
    moments_s: Mapping[str, tuple[float, ...]] = field(default_factory=dict)

    def score_lu(self, price_lu_per_pct: float) -> float | None:
        """Loudness gain less the price of the added distortion."""
        if self.gain_lu is None or self.added_pct is None:
            return None
        return self.gain_lu - price_lu_per_pct * self.added_pct


def breaches(entry: Entry, settings: RankSettings) -> tuple[str, ...]:
    """Every budget limit a candidate breaks, in words with both numbers and the worst second."""
    return tuple(
        f"{label} {above(value, limit)} {unit}, allowed {limit:g} {unit}{_place(name, entry)}"
        for name, label, unit, value, limit in limited(entry, settings)
        if value > limit
    )


def first_breach(entry: Entry, settings: RankSettings) -> tuple[str | None, tuple[float, ...]]:
    """The limit an entry breaks by the largest ratio, and the seconds where that is worst."""
    over = [
        (value / limit if limit > 0 else value, name)
        for name, _, _, value, limit in limited(entry, settings)
        if value > limit
    ]
    if not over:
        return None, ()
    name = max(over)[1]
    return name, entry.moments_s.get(name, ())


def above(value: float, limit: float) -> str:
    """A value above its limit, with as many decimals as show that it is."""
    texts = (f"{value:{form}}" for form in (".1f", ".2f", ".3f", ".2g", ".4g"))
    return next((text for text in texts if float(text) > limit), repr(value))


def limited(entry: Entry, settings: RankSettings) -> Iterator[tuple[str, str, str, float, float]]:
    """Name, label, unit, value and limit of everything the budget limits and an entry knows."""
    for name, label, unit in LIMITS:
        value = entry.limited.get(name)
        if value is not None:
            yield name, label, unit, value, getattr(settings.budget, name)


def _place(name: str, entry: Entry) -> str:
    moments_s = entry.moments_s.get(name)
    return f", worst at {moments_s[0]:.1f} s" if moments_s else ""


def overshoot(entry: Entry, settings: RankSettings) -> float:
    """The largest ratio of a value to its limit."""
    ratios = [value / limit for *_, value, limit in limited(entry, settings) if limit > 0]
    return max(ratios, default=0.0)


def rank(entries: Sequence[Entry], settings: RankSettings) -> list[tuple[Entry, Standing]]:
    """Candidates in order, each with where it stands and why.

    Within budget by score, ties (closer than settings.tie_lu) to the lower distortion; then over
    budget by how far over; then undefined; then failed. The order of the entries breaks what is
    left, so put the bypass first.
    """
    usable = [e for e in entries if _group(e, settings) == 0]
    rest = [e for e in entries if _group(e, settings) > 0]
    rest.sort(key=lambda e: (_group(e, settings), overshoot(e, settings)))
    ordered = [*_by_score(usable, settings), *rest]
    front = _pareto_front(entries)
    winner = ordered[0]
    return [
        (entry, _standing(entry, position, winner, entry.name in front, settings))
        for position, entry in enumerate(ordered, start=1)
    ]


def _group(entry: Entry, settings: RankSettings) -> int:
    if entry.failure is not None:
        return 3
    if entry.score_lu(0.0) is None:
        return 0 if entry.name == BYPASS_NAME else 2
    return 1 if breaches(entry, settings) else 0


def _score(entry: Entry, settings: RankSettings) -> float:
    score = entry.score_lu(settings.price_lu_per_pct)
    return 0.0 if score is None else score


def _by_score(entries: list[Entry], settings: RankSettings) -> list[Entry]:
    left, ordered = list(entries), []
    while left:
        ordered.append(_leader(left, settings))
        left.remove(ordered[-1])
    return ordered


def _leader(entries: Sequence[Entry], settings: RankSettings) -> Entry:
    """The best score, or of those that tie with it the lowest distortion."""
    by_score = sorted(entries, key=lambda e: -_score(e, settings))
    best = _score(by_score[0], settings)
    tied = [e for e in by_score if best - _score(e, settings) < settings.tie_lu]
    return min(tied, key=lambda e: e.added_pct or 0.0, default=by_score[0])


def _pareto_front(entries: Sequence[Entry]) -> set[str]:
    points = {
        e.name: (e.gain_lu, e.added_pct)
        for e in entries
        if e.failure is None and e.gain_lu is not None and e.added_pct is not None
    }
    return set(non_dominated(points))


def _standing(
    entry: Entry, position: int, winner: Entry, on_front: bool, settings: RankSettings
) -> Standing:
    broken = breaches(entry, settings)
    score = entry.score_lu(settings.price_lu_per_pct)
    tied = (
        entry is not winner
        and not broken
        and score is not None
        and abs(_score(winner, settings) - score) < settings.tie_lu
    )
    undefined = {}
    if entry.failure is None and score is None:
        reason = "loudness or peak is not defined for this programme"
        names = ("loudness_gain_lu", "loudness_gain_dry_lu", "loudness_gain_soloed_lu", "score_lu")
        undefined = dict.fromkeys((*names, "tone_gain_lu", "added_thdn_pct"), reason)
        undefined["ranked_distortion_pct"] = reason
    return Standing(
        rank=position,
        loudness_gain_lu=entry.gain_lu,
        loudness_gain_dry_lu=entry.gain_dry_lu,
        loudness_gain_soloed_lu=entry.gain_soloed_lu,
        tone_gain_lu=entry.tone_gain_lu,
        ranked_by=entry.ranked_by,
        ranked_distortion_pct=entry.distortion_pct,
        added_thdn_pct=entry.added_pct,
        score_lu=score,
        within_budget=entry.failure is None and not broken,
        breaches=broken,
        on_pareto_front=on_front,
        tied_with_winner=tied,
        why=_why(entry, winner, tied, broken, settings),
        undefined=undefined,
    )


def _why(
    entry: Entry, winner: Entry, tied: bool, broken: tuple[str, ...], settings: RankSettings
) -> str:
    if entry.failure is not None:
        return f"Failed: {entry.failure}."
    if entry.gain_lu is None or entry.added_pct is None:
        return "Cannot be scored: loudness or peak is not defined for this programme."
    gained = f"{entry.gain_lu:+z.2f} LU for {entry.added_pct:z.2f} % added distortion"
    if entry.ranked_by == "residual":
        gained += " (tones do not show this chain's distortion: its residual is taken)"
    if broken:
        return f"Over budget: {'; '.join(broken)}. It gave {gained}."
    lead = _score(winner, settings) - _score(entry, settings)
    if entry is winner:
        if entry.name == BYPASS_NAME:
            return "Stays dry: no chain within budget is worth its distortion here."
        return f"Best score within budget: {gained}."
    if tied:
        kind = "less" if winner.added_pct < entry.added_pct else "no more"  # type: ignore[operator]
        return (
            f"Tied with {winner.name} ({abs(lead):.2f} LU apart), which adds {kind} distortion: "
            f"{gained}."
        )
    if entry.name == BYPASS_NAME:
        return f"The dry reference: {lead:.2f} LU behind."
    soloed = entry.gain_soloed_lu
    if soloed is not None and soloed - entry.gain_lu >= 0.5 and entry.gain_lu < 0.5 * soloed:
        return (
            f"{lead:.2f} LU behind: its soloed gain of {soloed:+z.2f} LU does not reach the mix, "
            f"which gets {gained}."
        )
    return f"{lead:.2f} LU behind: {gained}."


def price_range(entries: Sequence[Entry], winner: str, settings: RankSettings) -> PriceRange | None:
    """Prices between which the winner stays the winner, ties as they are settled, and who is next.

    Returns
    -------
    None where the winner is not the one these scores choose, or its score is undefined.
    """
    usable = [e for e in entries if _group(e, settings) == 0 and e.score_lu(0.0) is not None]

    def leader(price: float) -> str:
        return _leader(usable, replace(settings, price_lu_per_pct=price)).name

    here = settings.price_lu_per_pct
    if not usable or leader(here) != winner:
        return None
    turns = sorted(_turning_prices(usable, settings.tie_lu))
    low, below = _end(leader, here, [t for t in reversed(turns) if t <= here] + [0.0])
    high, above = _end(leader, here, [t for t in turns if t >= here] + [inf])
    return PriceRange(low, None if high == inf else high, below, above)


def _turning_prices(entries: Sequence[Entry], tie_lu: float) -> set[float]:
    """Prices above 0 at which one score passes another, or comes within a tie of it."""
    turns = set()
    for one, other in permutations(entries, 2):
        gain = one.score_lu(0.0) - other.score_lu(0.0)  # type: ignore[operator]
        added = one.added_pct - other.added_pct  # type: ignore[operator]
        turns |= {(gain - lead) / added for lead in (0.0, tie_lu) if added != 0}
    return {price for price in turns if price > 0}


def _end(
    leader: Callable[[float], str], here: float, turns: Sequence[float]
) -> tuple[float, str | None]:
    """Where the leader at a price stops leading on the way over turning prices, and who is next.

    The last of the turning prices is the end of all prices: nobody is next there.
    """
    *_, last = turns
    for turn, after in pairwise(turns):
        between = (turn + after) / 2 if after != inf else 2 * turn + 1
        if leader(between) != leader(here):
            return turn, leader(between)
    return last, None
