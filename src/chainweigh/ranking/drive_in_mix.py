"""Searched settings of one group's chains, judged in the mix that the other picks make."""

from collections.abc import Sequence

from chainweigh.chain.chain import Chain
from chainweigh.chain.search import SearchRange
from chainweigh.chain.values import format_value
from chainweigh.effects.base import Kind
from chainweigh.ranking.drive_search import Drives, Ended, Found, search_drives
from chainweigh.ranking.order import LIMITS, Entry, breaches, first_breach
from chainweigh.ranking.results import Search, SearchPoint
from chainweigh.ranking.set_search import Picks, SetSearch

NOT_JUDGED = "not judged: the search did not need it"
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

    def find(self) -> None:
        """Search, and make what was found the group's candidate of this chain."""
        reaches = [search.reach_db for search in self._chain.searches]
        self.take(*search_drives(reaches, self))

    def keeps(self, drives_db: Drives) -> bool:
        """Whether drives keep the whole budget over the whole song."""
        self.worth_lu(drives_db)
        return self.keeps_budget(drives_db, whole_song=True)

    def take(self, drives: Drives, found: Sequence[Found]) -> None:
        """Make judged drives the group's candidate of this chain."""
        told = tuple(
            self._told(i, search, drives, end)
            for i, (search, end) in enumerate(zip(self._chain.searches, found, strict=True))
        )
        self._search.groups[self._name].set_found(self._chain.driven(drives), told)

    def worth_lu(self, drives_db: Drives) -> float:
        """The score of drives in the mix."""
        if drives_db not in self._entries:
            chain = self._chain.driven(drives_db)
            self._search.groups[self._name].try_chain(chain, self._search.cache)
            self._entries[drives_db] = self._search.entry(self._name, chain.name, self._picks)
        score = self._entries[drives_db].score_lu(self._price)
        return UNWORTHY_LU if score is None else score

    def keeps_budget(self, drives_db: Drives, *, whole_song: bool) -> bool:
        """Whether drives keep the whole budget; listened to where no other limit is broken."""
        if self._over(self._entries[drives_db]):
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
        along = sorted(at for at in self._entries if _same_but(i, at, drives))
        stage = self._chain.stages[search.stage]
        crossed = None if end.edge_db is None else (*drives[:i], end.edge_db, *drives[i + 1 :])
        limit, seconds = (
            (None, ())
            if crossed is None
            else first_breach(self._entries[crossed], self._search.settings)
        )
        found = None if end.ended is Ended.NEVER else drives[i]
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
            n_evaluated=len(self._entries),
            said=self._words(search, drives, i, end, crossed),
            curve=tuple(self._point(search, at[i], at) for at in along),
        )

    def _point(self, search: SearchRange, drive_db: float, at: Drives) -> SearchPoint:
        entry = self._entries[at]
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
        if end.ended is Ended.TRIALS:
            return f"Stopped at {found}: every setting that may be tried was."
        entry = self._entries[crossed] if crossed is not None else None
        broken = breaches(entry, self._search.settings) if entry else ()
        why = "; ".join(broken) or (entry.failure if entry else None) or "not defined"
        if end.ended is Ended.NEVER:
            return f"No {search.key} from {search} keeps the budget; at its gentle end: {why}."
        at = _text(search, end.edge_db or 0.0)
        return f"Found {found}: at {at} the budget breaks ({why})."


def _same_but(i: int, at: Sequence[float], drives: Sequence[float]) -> bool:
    return all(a == b for j, (a, b) in enumerate(zip(at, drives, strict=True)) if j != i)


def _text(search: SearchRange, drive_db: float) -> str:
    kind = Kind.LEVEL if search.unit == "dBFS" else Kind.GAIN
    value = search.value(drive_db)
    return str(value if isinstance(value, str) else format_value(kind, value))
