"""Several settings of a chain searched at once for the Pareto front of gain and added distortion.

Conventions
-----------
Drives as in `drive_search`, here in steps of 0.1 dB and with the deep ends. The optimiser is
optuna, an optional extra, imported when a search begins.

Notes
-----
Settings are proposed in batches of four whatever the number of threads, from a seed the caller
takes from the content, so that equal inputs give equal fronts.
"""

from collections.abc import Hashable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from math import ceil
from types import ModuleType
from typing import Any, Protocol, TypeVar

from chainweigh.errors import SettingsError
from chainweigh.ranking.drive_search import Drives

N_TRIALS = 60
STEP_DB = 0.1
N_BATCH = 4

_Key = TypeVar("_Key", bound=Hashable)


@dataclass(frozen=True)
class Outcome:
    """What drives give the mix. `over` is how far past its limit the worst measure is.

    As a share of the limit: 0 or less keeps the budget.
    """

    gain_lu: float
    added_pct: float
    over: float


class FrontJudge(Protocol):
    """Judges drives of all settings of a chain at once."""

    def outcomes(self, drives: Sequence[Drives]) -> list[Outcome | None]:
        """What each gives, judged in the loudest windows; None where that is not defined."""

    def keeps(self, drives_db: Drives) -> bool:
        """Whether drives keep the whole budget over the whole song."""


def check_optimiser() -> None:
    """Refuse a search for which the optional extra is missing.

    Raises
    ------
    SettingsError
        With the line that installs it.
    """
    _optuna()


def seed_of(content: Sequence[object]) -> int:
    """A seed from what a search is about; equal content, equal seed."""
    return int.from_bytes(sha256(repr(content).encode()).digest()[:4])


def search_front(
    reaches_db: Sequence[float],
    judge: FrontJudge,
    *,
    seed: int,
    begin: Sequence[Drives] = (),
    n_trials: int = N_TRIALS,
) -> list[Drives]:
    """Drives on the Pareto front of what was tried, least distortion first.

    Parameters
    ----------
    reaches_db : the deep end of each setting; the gentle ends are 0
    seed : of the optimiser
    begin : drives that are tried first, beside the gentle ends
    n_trials : settings that are tried beside `begin`, at most

    Returns
    -------
    Drives of which none gives more loudness for no more distortion than another, each judged over
    the whole song and inside the budget. None where nothing tried keeps it.

    Raises
    ------
    SettingsError
        The optional extra is not installed.

    Notes
    -----
    What is not on the front over the whole song is taken out, and the front drawn anew.

    References
    ----------
    Ozaki et al., "Multiobjective tree-structured Parzen estimator", Journal of Artificial
    Intelligence Research 73 (2022).
    """
    known = dict(zip(begin, judge.outcomes(begin), strict=True))
    study = _Study(reaches_db, seed, [(0.0,) * len(reaches_db), *begin])
    for first in range(0, n_trials, N_BATCH):
        asked = study.ask(min(N_BATCH, n_trials - first))
        new = list(dict.fromkeys(drives for drives in asked if drives not in known))
        known.update(zip(new, judge.outcomes(new), strict=True))
        study.tell([known[drives] for drives in asked])
    return _confirmed({d: found for d, found in known.items() if found and found.over <= 0}, judge)


def _confirmed(inside: dict[Drives, Outcome], judge: FrontJudge) -> list[Drives]:
    while True:
        front = non_dominated({d: (found.gain_lu, found.added_pct) for d, found in inside.items()})
        broken = [drives for drives in front if not judge.keeps(drives)]
        if not broken:
            return sorted(front, key=lambda drives: (inside[drives].added_pct, drives))
        for drives in broken:
            del inside[drives]


def non_dominated(points: Mapping[_Key, tuple[float, float]]) -> list[_Key]:
    """Keys of the points that no other one beats.

    Parameters
    ----------
    points : key -> gain (more is better) and distortion (less is better)
    """
    values = list(points.values())
    return [
        key
        for key, (gain, added) in points.items()
        if not any(g >= gain and d <= added and (g > gain or d < added) for g, d in values)
    ]


class _Study:
    """The optimiser's side: proposes drives in batches and is told what they gave."""

    def __init__(self, reaches_db: Sequence[float], seed: int, begin: Sequence[Drives]) -> None:
        optuna = _optuna()
        self._reaches_db = reaches_db
        self._failed = optuna.trial.TrialState.FAIL
        self._asked: list[Any] = []
        sampler = optuna.samplers.TPESampler(seed=seed, multivariate=True)
        with _warnings_only(optuna):
            self._study = optuna.create_study(directions=["maximize", "minimize"], sampler=sampler)
            for drives in begin:
                steps = {f"drive {i}": round(drive / STEP_DB) for i, drive in enumerate(drives)}
                self._study.enqueue_trial(steps, skip_if_exists=True)

    def ask(self, n_drives: int) -> list[Drives]:
        self._asked = [self._study.ask() for _ in range(n_drives)]
        return [self._drives(trial) for trial in self._asked]

    def _drives(self, trial: Any) -> Drives:
        return tuple(
            min(round(STEP_DB * trial.suggest_int(f"drive {i}", 0, _n_steps(reach)), 2), reach)
            for i, reach in enumerate(self._reaches_db)
        )

    def tell(self, outcomes: Sequence[Outcome | None]) -> None:
        for trial, found in zip(self._asked, outcomes, strict=True):
            if found is None:
                self._study.tell(trial, state=self._failed)
                continue
            trial.set_constraint("over the budget", found.over)
            self._study.tell(trial, [found.gain_lu, found.added_pct])


def _n_steps(reach_db: float) -> int:
    return ceil(round(reach_db / STEP_DB, 6))


@contextmanager
def _warnings_only(optuna: ModuleType) -> Iterator[None]:
    """The optimiser's own log without its notes."""
    before = optuna.logging.get_verbosity()
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    try:
        yield
    finally:
        optuna.logging.set_verbosity(before)


def _optuna() -> ModuleType:
    try:
        import optuna
    except ImportError as error:
        raise SettingsError(
            "a search for the Pareto front needs the optional optimiser; "
            "pip install 'chainweigh[pareto]' installs it"
        ) from error
    return optuna
