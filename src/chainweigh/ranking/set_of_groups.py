"""Whole sets weighed on the mix: which were considered, which were left out, and why."""

from collections.abc import Callable, Sequence

from chainweigh.ranking.order import Entry, breaches
from chainweigh.ranking.set_results import ConsideredSet, Peaks, SetsConsidered
from chainweigh.ranking.set_search import Picks, SetSearch
from chainweigh.ranking.sets import (
    BEAM_WIDTH,
    EXHAUSTIVE_SETS,
    Set,
    n_sets,
    score_beam,
    score_every_set,
)

N_OPTIONS = 4
N_LISTED = 8
IN_THE_WAY_PCT = 15.0  # less of a peak is 1.4 dB of it at most
WORSE_LU = -1e9


class SetOfGroups:
    """Weighs sets of one candidate a group on the mix they make.

    Parameters
    ----------
    headroom_db : what a set hands the mix
    peaks : of the mixes that show whether a group is in the way of more loudness

    Notes
    -----
    A set's score is the headroom it hands the mix, less the price of each group's added
    distortion: with the other groups fixed it orders a group's candidates as that group's own
    table does.
    """

    def __init__(
        self,
        search: SetSearch,
        headroom_db: Callable[[Picks], float | None],
        peaks: Sequence[Peaks],
    ) -> None:
        self._search, self._headroom_db, self._peaks = search, headroom_db, peaks
        self._names = list(search.groups)

    def best(self, picks: Picks) -> tuple[Picks, SetsConsidered]:
        """The best set within budget, and how it was found; a set that only ties is not better."""
        options, left_out = {}, []
        for name in self._names:
            options[name], said = self._options(name, picks)
            left_out += said
        possible = n_sets(options)
        every = possible <= EXHAUSTIVE_SETS
        scores = (score_every_set if every else score_beam)(options, self._score)
        ordered = sorted(scores, key=lambda chosen: (-scores[chosen], chosen))
        best, reasons = self._within_budget(ordered, scores, picks)
        listed = ordered[:N_LISTED]
        for chosen in (best, self._chosen(picks)):
            if chosen not in listed:
                listed.append(chosen)
        considered = SetsConsidered(
            how="every set" if every else f"beam of {BEAM_WIDTH}",
            n_possible=possible,
            n_weighed=len(scores),
            best=tuple(self._told(c, best, scores, reasons) for c in listed),
            left_out=tuple(left_out),
        )
        return dict(zip(self._names, best, strict=True)), considered

    def _chosen(self, picks: Picks) -> Set:
        return tuple(picks[name] for name in self._names)

    def _picks(self, chosen: Set) -> Picks:
        return dict(zip(self._names, chosen, strict=True))

    def _options(self, name: str, picks: Picks) -> tuple[Sequence[str], list[str]]:
        """The pick, the bypass and the best others that keep the group's own limits."""
        group = self._search.groups[name]
        bypass = group.chains[0].name
        most_pct = self._most_pct(name)
        if most_pct < IN_THE_WAY_PCT:
            said = f"all else on {name}: makes {most_pct:.0f} % of the mix's highest peaks at most"
            return list(dict.fromkeys([bypass, picks[name]])), [said]
        left_out, able = [], []
        for chain in group.chains[1:]:
            entry = self._search.entry(name, chain.name, picks)
            why = self._unfit(entry)
            if why:
                left_out.append(f"{chain.name} on {name}: {why}")
            else:
                able.append(entry)
        able.sort(key=lambda e: -(e.score_lu(self._price) or 0.0))
        wanted = list(dict.fromkeys([bypass, picks[name], *(e.name for e in able)]))
        late = "; ".join(wanted[N_OPTIONS:])
        if late:
            left_out.append(f"On {name}, not among its {N_OPTIONS} best: {late}")
        return wanted[:N_OPTIONS], left_out

    def _most_pct(self, name: str) -> float:
        """The group's largest share in any of the highest peaks."""
        moments = [moment for peaks in self._peaks for moment in peaks.moments]
        shares = [share for moment in moments for share in moment.shares if share.group == name]
        return max((share.share_pct for share in shares), default=0.0)

    def _unfit(self, entry: Entry) -> str | None:
        if entry.score_lu(0.0) is None:
            return entry.failure or "its gain is not defined"
        broken = breaches(entry, self._search.settings)
        return "; ".join(broken) if broken else None

    @property
    def _price(self) -> float:
        return self._search.settings.price_lu_per_pct

    def _added_pct(self, chosen: Set) -> float | None:
        added = [
            self._search.entry(name, candidate, self._search.dry).added_pct
            for name, candidate in self._picks(chosen).items()
        ]
        known = [value for value in added if value is not None]
        return sum(known) if len(known) == len(added) else None

    def _score(self, chosen: Set) -> float:
        headroom, added = self._headroom_db(self._picks(chosen)), self._added_pct(chosen)
        if headroom is None or added is None:
            return WORSE_LU
        return headroom - self._price * added

    def _within_budget(
        self, ordered: Sequence[Set], scores: dict[Set, float], picks: Picks
    ) -> tuple[Set, dict[Set, str]]:
        """The first set that beats the picks by more than a tie and keeps the budget everywhere."""
        reasons: dict[Set, str] = {}
        standing = self._chosen(picks)
        for chosen in ordered:
            if scores[chosen] - scores.get(standing, WORSE_LU) < self._search.settings.tie_lu:
                break
            broken = self._broken(chosen)
            if broken is None:
                return chosen, reasons
            reasons[chosen] = f"skipped: {broken}"
        return standing, reasons

    def _broken(self, chosen: Set) -> str | None:
        """Which candidate breaks the budget in the mix the others make, heard all the way."""
        picks = self._picks(chosen)
        for name, candidate in picks.items():
            if candidate == self._search.groups[name].chains[0].name:
                continue
            entry = self._search.heard_entry(name, candidate, picks, whole_song=True)
            broken = breaches(entry, self._search.settings)
            if broken:
                return f"{candidate} on {name}: {'; '.join(broken)}"
        return None

    def _told(
        self, chosen: Set, best: Set, scores: dict[Set, float], reasons: dict[Set, str]
    ) -> ConsideredSet:
        headroom, added = self._headroom_db(self._picks(chosen)), self._added_pct(chosen)
        score = scores.get(chosen)
        values = {"mix_headroom_db": headroom, "added_thdn_pct": added, "score_lu": score}
        lead = scores.get(best, WORSE_LU) - scores.get(chosen, WORSE_LU)
        why = reasons.get(chosen)
        if chosen == best:
            why = "taken"
        elif why is None and lead < 0:
            why = f"{-lead:.2f} LU ahead: a tie, which changes nothing"
        elif why is None:
            why = f"{lead:.2f} LU behind"
        undefined = {
            key: "loudness, peak or distortion is not defined"
            for key, value in values.items()
            if value is None
        }
        return ConsideredSet(candidates=chosen, **values, why=why, undefined=undefined)
