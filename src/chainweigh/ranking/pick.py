"""One chain a group picked in the mix, the group that makes most of its peaks first."""

from dataclasses import dataclass, field

from chainweigh.audio.array import Samples
from chainweigh.ranking.drive_in_mix import DriveInMix
from chainweigh.ranking.mix import gain_lu, measure_plr_db
from chainweigh.ranking.order import breaches
from chainweigh.ranking.peaks import attribute_peaks
from chainweigh.ranking.set_of_groups import SetOfGroups
from chainweigh.ranking.set_results import Peaks, SetsConsidered, SetStep
from chainweigh.ranking.set_search import Picks, SetSearch
from chainweigh.song import sum_of

MAX_ROUNDS = 6
SETTLED_LU = 0.1


@dataclass
class Picking:
    """Picks a set; `steps`, `rounds` and `sets` tell how."""

    search: SetSearch
    steps: list[SetStep] = field(default_factory=list)
    rounds: int = 0
    sets: SetsConsidered | None = None
    _searched_in: dict[str, Picks] = field(default_factory=dict)
    _plr_db: dict[str, float | None] = field(default_factory=dict)

    def pick(self) -> Picks:
        """The set: each group's pick the best in the mix that the others make.

        Notes
        -----
        Begins dry. The mix's peaks are attributed to groups before every turn, and the group with
        the largest share is next. Its drive searches run anew while the mix's gain still moves by
        0.1 LU or more, or where what they found before leaves the budget. When a round changes
        nothing (6 rounds at most), whole sets are weighed, and one that beats the picks takes
        their place.
        """
        picks = self._settled(self.search.dry)
        better, self.sets = SetOfGroups(self.search, self.headroom_db).best(picks)
        return picks if better == picks else self._settled(better)

    def peaks(self, picks: Picks) -> Peaks:
        """The highest peaks of the mix that picks make, and whose they are."""
        rate = next(iter(self.search.groups.values())).reference.sample_rate_hz
        return attribute_peaks(self._parts(picks), rate)

    def headroom_db(self, picks: Picks) -> float | None:
        """How far the PLR of the mix falls from the dry mix's."""
        return gain_lu(self._mix_plr_db(self.search.dry), self._mix_plr_db(picks))

    def _settled(self, picks: Picks) -> Picks:
        picks, moved = dict(picks), True
        for _ in range(MAX_ROUNDS):
            self.rounds += 1
            before = dict(picks)
            self._round(picks, moved)
            moved = self._moved(before, picks)
            if picks == before and not self._stale(picks):
                break
        return picks

    def _round(self, picks: Picks, moved: bool) -> None:
        """Every group's turn, that with the largest share in the mix's peaks first."""
        waiting = set(picks)
        while waiting:
            shares = {s.group: s.share_pct for s in self.peaks(picks).shares}
            name = min(waiting, key=lambda n: (-shares.get(n, 0.0), n))
            waiting.remove(name)
            if moved or name in self._stale(picks):
                self._search_drives(name, picks)
            pick = self.search.best(name, picks)
            if pick != picks[name]:
                picks[name] = pick
                self._note(name, shares.get(name), picks)

    def _search_drives(self, name: str, picks: Picks) -> None:
        if self._searched_in.get(name) == _others(name, picks):
            return
        for chain in self.search.groups[name].searched:
            DriveInMix(self.search, name, picks, chain).find()
        self._searched_in[name] = _others(name, picks)

    def _stale(self, picks: Picks) -> list[str]:
        """Groups of which a found setting leaves the budget in a mix it was not searched in."""
        return [
            name
            for name, group in self.search.groups.items()
            if self._searched_in.get(name, _others(name, picks)) != _others(name, picks)
            and any(self._over(name, found, picks) for found in group.searches)
        ]

    def _over(self, name: str, found: str, picks: Picks) -> bool:
        group = self.search.groups[name]
        if found not in [chain.name for chain in group.chains]:
            return False
        if all(search.found_db is None for search in group.searches[found]):
            return False
        entry = self.search.heard_entry(name, found, picks, whole_song=True)
        return bool(breaches(entry, self.search.settings))

    def _note(self, name: str, share_pct: float | None, picks: Picks) -> None:
        headroom = self.headroom_db(picks)
        undefined = {} if headroom is not None else {"mix_headroom_db": "loudness is not defined"}
        if share_pct is None:
            undefined["share_pct"] = "the mix is silent"
        self.steps.append(SetStep(name, share_pct, picks[name], headroom, undefined))

    def _moved(self, before: Picks, after: Picks) -> bool:
        gain = gain_lu(self._mix_plr_db(before), self._mix_plr_db(after))
        return gain is not None and abs(gain) >= SETTLED_LU

    def _mix_plr_db(self, picks: Picks) -> float | None:
        key = repr(sorted(picks.items()))
        if key not in self._plr_db:
            rate = next(iter(self.search.groups.values())).reference.sample_rate_hz
            mix = sum_of(list(self._parts(picks).values()))
            self._plr_db[key] = measure_plr_db(mix, rate)
        return self._plr_db[key]

    def _parts(self, picks: Picks) -> dict[str, Samples]:
        return {name: group.samples_of(picks[name]) for name, group in self.search.groups.items()}


def _others(name: str, picks: Picks) -> Picks:
    return {other: pick for other, pick in picks.items() if other != name}
