"""Searched settings of one group's chains, judged in the mix that the other picks make."""

from collections.abc import Sequence
from dataclasses import replace

from chainweigh.chain.chain import Chain
from chainweigh.chain.search import SearchRange
from chainweigh.chain.values import format_value
from chainweigh.effects.base import Kind
from chainweigh.ranking.drive_search import (
    NOTHING_LU,
    Drives,
    Ended,
    Found,
    first_drives,
    search_drives,
)
from chainweigh.ranking.front_results import Front, FrontPoint
from chainweigh.ranking.jobs import no_progress, run_jobs
from chainweigh.ranking.mix import PlainGain
from chainweigh.ranking.order import LIMITS, Entry, breaches, first_breach, overshoot
from chainweigh.ranking.pareto_search import Outcome, search_front, seed_of
from chainweigh.ranking.results import Search, SearchPoint
from chainweigh.ranking.set_search import Picks, SetSearch
from chainweigh.ranking.weigh import identity

NOT_JUDGED = "not judged: the search did not need it"
GIVES_NOTHING = "not weighed: it gives the mix nothing"
PLAINLY_MORE_DB = 1.0
UNWORTHY_LU = -1e9  # of what cannot be rendered or has no loudness


class DriveInMix:
    """The search of one chain's drive in the mix around a group.

    Parameters
    ----------
    search : what judges candidates of the group in the mix
    name : the group
    picks : of the other groups
    price_lu_per_pct : of added distortion; that of the settings without it
    """

    def __init__(
        self,
        search: SetSearch,
        name: str,
        picks: Picks,
        chain: Chain,
        *,
        price_lu_per_pct: float | None = None,
    ) -> None:
        price = search.settings.price_lu_per_pct
        self._price = price if price_lu_per_pct is None else price_lu_per_pct
        self._search, self._name, self._picks = search, name, dict(picks)
        self._chain = chain
        self._entries: dict[Drives, Entry] = {}
        self._whole_song: set[Drives] = set()
        self._plain: dict[Drives, float | None] = {}

    def find(self) -> None:
        """Search, and make what was found the group's candidate of this chain."""
        self._begin_gently()
        reaches = [search.reach_db for search in self._chain.searches]
        self._weigh_first(reaches)
        drives, found = search_drives(reaches, self)
        wanted = self._search.n_pareto_trials > 0 and len(reaches) > 1
        if wanted and self.worth_lu(drives) > 0 and self.keeps(drives):
            self._take_from_front(reaches, drives, found)
        else:
            self.take(drives, found)

    def _begin_gently(self) -> None:
        """Turn every range round whose first end changes the group more than its last."""
        for i, search in enumerate(self._chain.searches):
            gentle = [0.0] * len(self._chain.searches)
            deep = [*gentle[:i], search.reach_db, *gentle[i + 1 :]]
            first, last = (self._plain_gain(at) for at in (gentle, deep))
            if first is None or last is None or first.change_db is None:
                continue
            if last.change_db is None or first.change_db - last.change_db > PLAINLY_MORE_DB:
                turned = [*self._chain.searches]
                turned[i] = search.turned_round()
                self._chain = replace(self._chain, searches=tuple(turned))

    def _plain_gain(self, drives: Sequence[float]) -> PlainGain | None:
        return self._search.plain_gain(self._name, self._chain.driven(drives), self._picks)

    def _weigh_first(self, reaches_db: Sequence[float]) -> None:
        """Render the first drives, and weigh those that give the mix anything, several at once."""
        gentle = (0.0,) * (len(reaches_db) - 1)
        drives = [(drive, *gentle) for drive in first_drives(reaches_db[0])]
        chains = [self._chain.driven(at) for at in drives]
        plain = [self._plain_gain(at) for at in drives]
        gains = [each.loudness_lu if each else None for each in plain]
        self._plain = dict(zip(drives, gains, strict=True))
        helping = [
            c for c, gain in zip(chains, gains, strict=True) if gain is None or gain > NOTHING_LU
        ]
        self._weigh_all(helping)

    def _weigh_all(self, chains: Sequence[Chain]) -> None:
        search, group = self._search, self._search.groups[self._name]
        jobs = [lambda c=chain: group.try_chain(c, search.cache) for chain in chains]
        run_jobs(jobs, threads=search.threads, progress=no_progress, what="")

    def _take_from_front(
        self, reaches_db: Sequence[float], drives: Drives, found: Sequence[Found]
    ) -> None:
        """Search the Pareto front too, and take its best score where that beats what was found."""
        reference = self._search.groups[self._name].reference
        front = search_front(
            reaches_db,
            self,
            seed=seed_of(identity(self._chain, reference)),
            begin=[drives],
            n_trials=self._search.n_pareto_trials,
        )
        best = max(front, key=lambda at: (self.worth_lu(at), at == drives), default=drives)
        if best != drives:
            found = [Found(drive_db, Ended.FRONT) for drive_db in best]
        points = tuple(self._front_point(at) for at in front)
        self.take(best, found, Front(len(self._entries), points))

    def _front_point(self, drives: Drives) -> FrontPoint:
        entry = self._entries[drives]
        settings = (
            f"{search.key} {_text(search, drive_db)}"
            for search, drive_db in zip(self._chain.searches, drives, strict=True)
        )
        return FrontPoint(tuple(settings), entry.gain_lu or 0.0, entry.added_pct or 0.0)

    def outcomes(self, drives: Sequence[Drives]) -> list[Outcome | None]:
        """What drives give the mix, and how far past the budget they are in the loudest windows."""
        self._weigh_all([self._chain.driven(at) for at in drives])
        return [self._outcome(at) for at in drives]

    def _outcome(self, drives: Drives) -> Outcome | None:
        keeps = self.keeps_budget(drives, whole_song=False)
        entry = self._entries[drives]
        if entry.gain_lu is None or entry.added_pct is None:
            return None
        over = overshoot(entry, self._search.settings) - 1
        return Outcome(entry.gain_lu, entry.added_pct, min(over, 0.0) if keeps else max(over, 0.01))

    def keeps(self, drives_db: Drives) -> bool:
        """Whether drives keep the whole budget over the whole song."""
        return self.keeps_budget(drives_db, whole_song=True)

    def take(self, drives: Drives, found: Sequence[Found], front: Front | None = None) -> None:
        """Make judged drives the group's candidate of this chain."""
        told = tuple(
            self._told(i, search, drives, end)
            for i, (search, end) in enumerate(zip(self._chain.searches, found, strict=True))
        )
        self._search.groups[self._name].set_found(self._chain.driven(drives), told, front)

    def worth_lu(self, drives_db: Drives) -> float:
        """The score of drives in the mix; the gain alone where that is none, which bounds it."""
        gain = self._plain.get(drives_db)
        if drives_db not in self._entries and gain is not None and gain <= NOTHING_LU:
            return min(gain, 0.0)
        score = self._weighed(drives_db).score_lu(self._price)
        return UNWORTHY_LU if score is None else score

    def _weighed(self, drives_db: Drives) -> Entry:
        if drives_db not in self._entries:
            chain = self._chain.driven(drives_db)
            self._search.groups[self._name].try_chain(chain, self._search.cache)
            self._entries[drives_db] = self._search.entry(self._name, chain.name, self._picks)
        return self._entries[drives_db]

    def keeps_budget(self, drives_db: Drives, *, whole_song: bool) -> bool:
        """Whether drives keep the whole budget; listened to where no other limit is broken."""
        if self._over(self._weighed(drives_db)):
            return False
        name = self._chain.driven(drives_db).name
        entry = self._search.heard_entry(self._name, name, self._picks, whole_song)
        self._entries[drives_db] = entry
        if whole_song:
            self._whole_song.add(drives_db)
        return not self._over(entry)

    def _over(self, entry: Entry) -> bool:
        return entry.score_lu(0.0) is None or bool(breaches(entry, self._search.settings))

    def _told(self, i: int, search: SearchRange, drives: Drives, end: Found) -> Search:
        tried = {**self._plain, **self._entries}
        along = sorted(at for at in tried if _same_but(i, at, drives))
        stage = self._chain.stages[search.stage]
        crossed = None if end.edge_db is None else (*drives[:i], end.edge_db, *drives[i + 1 :])
        limit, seconds = (
            (None, ())
            if crossed is None
            else first_breach(self._entries[crossed], self._search.settings)
        )
        found = None if end.ended is Ended.NEVER else drives[i]
        words = self._words(search, drives, i, end, crossed)
        return Search(
            stage=search.stage + 1,
            effect=stage.name,
            parameter=search.key,
            unit="dB" if search.level else search.unit,
            level=search.level,
            from_db=search.setting_db(0.0),
            to_db=search.setting_db(search.reach_db),
            found_db=None if found is None else search.setting_db(found),
            found=_text(search, drives[i]),
            ended=end.ended.value,
            stopped_by=limit,
            crossed_at_db=None if crossed is None else search.setting_db(crossed[i]),
            crossed_at_s=seconds,
            n_evaluated=len(tried),
            said=f"{self._which(search)}{words}{_order(search)}",
            curve=tuple(self._point(search, at[i], at) for at in along),
        )

    def _point(self, search: SearchRange, drive_db: float, at: Drives) -> SearchPoint:
        entry = self._entries.get(at)
        if entry is None:
            return _only_gain(search.setting_db(drive_db), self._plain[at])
        limited = {name: entry.limited.get(name) for name, *_ in LIMITS}
        reason = entry.failure or NOT_JUDGED
        values = {"loudness_gain_lu": entry.gain_lu, "added_thdn_pct": entry.added_pct, **limited}
        return SearchPoint(
            setting_db=search.setting_db(drive_db),
            **values,
            within_budget=not self._over(entry),
            whole_song=at in self._whole_song,
            undefined={name: reason for name, value in values.items() if value is None},
        )

    def _which(self, search: SearchRange) -> str:
        """Which stage is meant, where the chain has several searched settings of one name."""
        if [other.key for other in self._chain.searches].count(search.key) < 2:
            return ""
        return f"Stage {search.stage + 1} ({self._chain.stages[search.stage].name}): "

    def _words(
        self, search: SearchRange, drives: Drives, i: int, end: Found, crossed: Drives | None
    ) -> str:
        found = f"{search.key} {_text(search, drives[i])}"
        if end.ended is Ended.RANGE:
            return f"Found {found}: the search never leaves the budget, widen {search}."
        if end.ended is Ended.TARGET:
            return f"Found {found}: it reaches the target."
        if end.ended is Ended.NO_HELP:
            if self.worth_lu(drives) <= 0:
                return f"No {search.key} from {search} gives the mix what its distortion costs."
            return f"Found {found}: more drive is not worth its distortion in the mix."
        if end.ended is Ended.FRONT:
            return f"Found {found}: the best score on the Pareto front of all settings together."
        if end.ended is Ended.TRIALS:
            return f"Stopped at {found}: every setting that may be tried was."
        entry = self._entries[crossed] if crossed is not None else None
        broken = breaches(entry, self._search.settings) if entry else ()
        why = "; ".join(broken) or (entry.failure if entry else None) or "not defined"
        if end.ended is Ended.NEVER:
            return f"No {search.key} from {search} keeps the budget; at its gentle end: {why}."
        at = _text(search, end.edge_db or 0.0)
        return f"Found {found}: at {at} the budget breaks ({why})."


def _only_gain(setting_db: float, gain_lu: float | None) -> SearchPoint:
    """A setting that was rendered and found to give the mix nothing."""
    names = [name for name, *_ in LIMITS]
    unknown = dict.fromkeys(("added_thdn_pct", *names, "within_budget"), GIVES_NOTHING)
    return SearchPoint(
        setting_db=setting_db,
        loudness_gain_lu=gain_lu,
        added_thdn_pct=None,
        **dict.fromkeys(names),
        within_budget=None,
        whole_song=False,
        undefined=unknown,
    )


def _order(search: SearchRange) -> str:
    """That the deep end stood first, where it did."""
    return f" The range has its deep end first; it was searched from {search}." * search.turned


def _same_but(i: int, at: Sequence[float], drives: Sequence[float]) -> bool:
    return all(a == b for j, (a, b) in enumerate(zip(at, drives, strict=True)) if j != i)


def _text(search: SearchRange, drive_db: float) -> str:
    kind = Kind.LEVEL if search.unit == "dBFS" else Kind.GAIN
    value = search.value(drive_db)
    return str(value if isinstance(value, str) else format_value(kind, value))
