"""The drive search: the deepest setting inside the budget that still helps the mix.

Conventions
-----------
Drive is in dB from the gentle end of a range, in steps of 0.01 dB. A search asks a `Judge`
about drives and knows nothing else of them; whoever answers keeps what was measured.

Notes
-----
Five drives over the range show the curve; from its deep end up the first that keeps the budget is
taken, and halving brackets the budget's edge to 0.1 dB. Where a shallower drive is worth more, that
one's neighbourhood is searched instead. A stretch inside or outside the budget that is narrower
than a quarter of the range may be stepped over, but what is returned was itself judged, over the
whole song, and kept the budget.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from math import inf
from typing import Protocol

RESOLUTION_DB = 0.1
N_FIRST = 5
HELPS_LU_PER_DB = 0.02
NOTHING_LU = 0.01
MAX_TRIALS = 60
MAX_ROUNDS = 4

Drives = tuple[float, ...]


class Ended(Enum):
    """Why a search went no deeper."""

    BUDGET = "budget"
    NO_HELP = "no help"
    RANGE = "range"
    NEVER = "never within budget"
    TRIALS = "trials"
    TARGET = "target"
    FRONT = "front"


@dataclass(frozen=True)
class Found:
    """Where a search ended. `edge_db` is the gentlest drive known to leave the budget beyond it."""

    drive_db: float
    ended: Ended
    edge_db: float | None = None


class Judge(Protocol):
    """Judges drives of one setting; remembers what it was asked before."""

    def worth_lu(self, drive_db: float) -> float:
        """What a drive is worth to the mix, whether or not it keeps the budget."""

    def keeps_budget(self, drive_db: float, *, whole_song: bool) -> bool:
        """Whether it keeps the whole budget, in the loudest windows or over the whole song."""


class _Line:
    """The search along one setting."""

    def __init__(self, reach_db: float, judge: Judge) -> None:
        self._judge = judge
        self._worth = {drive: judge.worth_lu(drive) for drive in first_drives(reach_db)}
        self._outside: set[float] = set()

    def search(self) -> Found:
        if max(self._worth.values()) <= 0 and self._keeps(0.0, whole_song=True):
            return Found(0.0, Ended.NO_HELP)
        inside_db = next((d for d in reversed(self._tried) if self._keeps(d)), None)
        if inside_db is None:
            return Found(0.0, Ended.NEVER, 0.0)
        deepest_db, edge_db = self._edge(inside_db, whole_song=False)
        best_db = self._best(deepest_db)
        if not self._keeps(best_db, whole_song=True):
            return self._confirmed(best_db)
        if best_db < deepest_db:
            return Found(best_db, Ended.NO_HELP)
        return Found(best_db, Ended.RANGE if edge_db is None else Ended.BUDGET, edge_db)

    @property
    def _tried(self) -> list[float]:
        return sorted(self._worth)

    def _keeps(self, drive_db: float, *, whole_song: bool = False) -> bool:
        if drive_db not in self._worth:
            self._worth[drive_db] = self._judge.worth_lu(drive_db)
        if drive_db in self._outside:
            return False
        keeps = self._judge.keeps_budget(drive_db, whole_song=whole_song)
        if not keeps:
            self._outside.add(drive_db)
        return keeps

    def _edge(self, inside_db: float, *, whole_song: bool) -> tuple[float, float | None]:
        """The budget's edge above a drive inside it, bracketed: inner end, outer end or None."""
        outside_db = next((d for d in self._tried if d > inside_db and d in self._outside), None)
        while outside_db is not None and outside_db - inside_db > RESOLUTION_DB:
            middle_db = round((inside_db + outside_db) / 2, 2)
            if self._keeps(middle_db, whole_song=whole_song):
                inside_db = middle_db
            else:
                outside_db = middle_db
        return inside_db, outside_db

    def _best(self, deepest_db: float) -> float:
        """The drive of most worth up to the deepest, to 0.1 dB or what 0.01 LU are worth."""
        while True:
            best_db = self._best_tried(deepest_db)
            promising = [
                (high - low, low)
                for low, high in pairwise(d for d in self._tried if d <= deepest_db)
                if best_db in (low, high) and high - low > RESOLUTION_DB
                if self._most_between(low, high) > self._worth[best_db] + NOTHING_LU
                or (high == best_db and self._goes_flat(high, deepest_db))
            ]
            if not promising:
                return best_db
            width_db, from_db = max(promising)
            self._keeps(round(from_db + width_db / 2, 2))

    def _best_tried(self, deepest_db: float) -> float:
        """The drive of most worth inside the budget; a shallower one if the way there is flat."""
        worth = self._worth
        while True:
            able = [d for d in self._tried if d <= deepest_db and d not in self._outside]
            most_db = max(able, key=lambda drive: worth[drive])
            best_db = next(
                d for d in able if worth[most_db] - worth[d] <= HELPS_LU_PER_DB * (most_db - d)
            )
            if self._keeps(best_db):
                return best_db

    def _goes_flat(self, drive_db: float, deepest_db: float) -> bool:
        """Whether the curve stays level beyond a drive, so that it may have been level before."""
        after = next((d for d in self._tried if drive_db < d <= deepest_db), None)
        if after is None:
            return False
        change = abs(self._worth[after] - self._worth[drive_db])
        return change <= HELPS_LU_PER_DB * (after - drive_db)

    def _most_between(self, low: float, high: float) -> float:
        """The most a curve that bends downwards can be worth between two drives next to each other.

        It stays below the lines through the two drives before the gap and the two after it.
        """
        tried, worth = self._tried, self._worth
        at, width = tried.index(low), high - low
        rise = fall = inf
        if at > 0:
            rise = (worth[low] - worth[tried[at - 1]]) / (low - tried[at - 1])
        if at + 2 < len(tried):
            fall = (worth[high] - worth[tried[at + 2]]) / (tried[at + 2] - high)
        if rise == inf or fall == inf:
            ends = (worth[low] + rise * width, worth[high] + fall * width)
            return max(worth[low], worth[high], min(ends))
        if rise + fall <= 0:
            return max(worth[low], worth[high])
        crossing = (worth[high] - worth[low] + fall * width) / (rise + fall)
        return worth[low] + rise * min(max(crossing, 0.0), width)

    def _confirmed(self, over_db: float) -> Found:
        """The deepest drive below one that the whole song put over budget."""
        for drive_db in reversed([drive for drive in self._tried if drive < over_db]):
            if self._keeps(drive_db, whole_song=True):
                deepest_db, edge_db = self._edge(drive_db, whole_song=True)
                return Found(deepest_db, Ended.BUDGET, edge_db)
        return Found(0.0, Ended.NEVER, 0.0)


def first_drives(reach_db: float) -> list[float]:
    """The drives every search of a range begins with, in dB."""
    n_drives = min(N_FIRST, 1 + max(1, int(reach_db / RESOLUTION_DB)))
    return [round(reach_db * i / (n_drives - 1), 2) for i in range(n_drives)]


def search_drive(reach_db: float, judge: Judge) -> Found:
    """The deepest drive of a range inside the budget, to 0.1 dB, or the last that helps.

    Parameters
    ----------
    reach_db : the deep end; the gentle end is 0
    judge : asked about drives from 0 to reach_db, multiples of 0.01 dB

    Returns
    -------
    Found
        A drive that was judged over the whole song and kept the budget, unless `ended` is NEVER.
        Worth rising by under 0.02 LU a dB is no help; where no drive is worth anything, the gentle
        end stands.
    """
    return _Line(reach_db, judge).search()


class _SpentError(Exception):
    """No more settings may be tried."""


class JudgeAll(Protocol):
    """Judges drives of all settings of a chain at once; as `Judge` otherwise."""

    def worth_lu(self, drives_db: Drives) -> float:
        """What the drives are worth to the mix."""

    def keeps_budget(self, drives_db: Drives, *, whole_song: bool) -> bool:
        """Whether they keep the whole budget."""


@dataclass
class _Along:
    """One setting's judge, the others fixed; counts the settings tried."""

    judge: JudgeAll
    drives: list[float]
    place: int
    tried: set[Drives]
    max_trials: int

    def _at(self, drive_db: float) -> Drives:
        at = (*self.drives[: self.place], drive_db, *self.drives[self.place + 1 :])
        if at not in self.tried and len(self.tried) == self.max_trials:
            raise _SpentError
        self.tried.add(at)
        return at

    def worth_lu(self, drive_db: float) -> float:
        return self.judge.worth_lu(self._at(drive_db))

    def keeps_budget(self, drive_db: float, *, whole_song: bool) -> bool:
        return self.judge.keeps_budget(self._at(drive_db), whole_song=whole_song)


def search_drives(
    reaches_db: Sequence[float], judge: JudgeAll, max_trials: int = MAX_TRIALS
) -> tuple[Drives, tuple[Found, ...]]:
    """The drives of several settings, searched one after the other until none moves.

    Parameters
    ----------
    max_trials : settings that may be tried; when they are spent, the last whole search stands

    Returns
    -------
    The drives in dB, and how the last search of each ended.

    Notes
    -----
    Coordinate search: it ends where no single setting can be moved to advantage, which may be
    short of the best where settings depend on each other.
    """
    drives = [0.0] * len(reaches_db)
    found = [Found(0.0, Ended.TRIALS) for _ in reaches_db]
    tried: set[Drives] = set()
    try:
        for _ in range(MAX_ROUNDS):
            before = list(drives)
            for i, reach_db in enumerate(reaches_db):
                found[i] = search_drive(reach_db, _Along(judge, drives, i, tried, max_trials))
                drives[i] = found[i].drive_db
            moved = max(abs(a - b) for a, b in zip(before, drives, strict=True))
            if len(drives) == 1 or moved <= RESOLUTION_DB:
                break
    except _SpentError:
        found = [Found(drive, Ended.TRIALS) for drive in drives]
    return tuple(drives), tuple(found)
