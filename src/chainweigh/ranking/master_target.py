"""A master chain's final stage driven to a target, or as far as the budget allows.

Conventions
-----------
What a master reaches is read at the true-peak ceiling: its loudness, or maximum 300 ms RMS, after
the one gain that brings its true peak there.
"""

from collections.abc import Callable
from dataclasses import replace

from chainweigh.chain.chain import AnyStage, Chain, Stage
from chainweigh.chain.search import SHORTEST_DB, moved, search_range
from chainweigh.chain.values import LevelExpression
from chainweigh.errors import ChainFileError, RenderError
from chainweigh.measure.summary import FileMeasures, measure_file
from chainweigh.ranking.drive_in_mix import DriveInMix
from chainweigh.ranking.drive_search import Ended, Found
from chainweigh.ranking.order import Entry, breaches, rank
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.results import MASTER, Standing
from chainweigh.ranking.set_search import SetSearch
from chainweigh.ranking.settings import RankSettings, Target
from chainweigh.render.chain_run import render_chain

EASED_DB = 6.0  # the gentle end lies so far above the ceiling as written
DRIVEN_DB = 12.0
REACHED_DB = 0.05
MAX_RENDERS = 14


def drive_masters(search: SetSearch, settings: RankSettings) -> None:
    """Drive every master chain's final stage, and make the driven chains the candidates.

    Notes
    -----
    A chain whose final stage has no level to drive stays as it is written; variants that differ in
    that level alone are one.
    """
    group = search.groups[MASTER]
    driven = set()
    for chain in group.chains[1:]:
        drivable = final_drive(chain)
        if drivable is None:
            continue
        group.chains = [c for c in group.chains if c.name != chain.name]
        if drivable.name not in driven:
            _drive(search, drivable, settings)
        driven.add(drivable.name)


def final_drive(chain: Chain) -> Chain | None:
    """The chain with its final stage's level searched around what is written; None without one."""
    for key, value in _levels(chain.stages[-1]):
        ends = moved(value, EASED_DB), moved(value, -DRIVEN_DB)
        unit = "dB" if isinstance(value, LevelExpression) else "dBFS"
        try:
            found = search_range(len(chain.stages) - 1, key, unit, *ends)
            name = chain.name.replace(f", {key} {chain.stages[-1].written()[key]}", "")
            searched = replace(chain, name=name, searches=(found,))
            for drive_db in (0.0, found.reach_db):
                searched.driven([drive_db]).stages[-1].completed()
        except ChainFileError:
            continue
        return searched
    return None


def _levels(stage: AnyStage) -> list[tuple[str, LevelExpression | float]]:
    """Levels that drive a stage: an effect's ceiling, of a plug-in what is relative to a level."""
    return [
        (key, value)
        for key, value in stage.settings.items()
        if isinstance(value, LevelExpression)
        or (isinstance(value, float) and isinstance(stage, Stage))
        if key == "ceiling" or not isinstance(stage, Stage)
    ]


def reached(file: FileMeasures, target: Target) -> float | None:
    """What a file reaches at a true peak of 0 dBTP, in LUFS or dB; None where not defined."""
    level = file.integrated_lufs if target.rms_max_300ms_db is None else file.rms_max_300ms_db
    if level is None or file.true_peak_dbtp is None:
        return None
    return level - file.true_peak_dbtp


def target_level(target: Target) -> float | None:
    """The target as a number; None where the budget alone decides."""
    if target.rms_max_300ms_db is not None:
        return target.rms_max_300ms_db
    return target.integrated_lufs


def target_text(target: Target, level: float) -> str:
    """A level in the target's unit."""
    if target.rms_max_300ms_db is not None:
        return f"{level:.2f} dB maximum RMS"
    return f"{level:.2f} LUFS"


def reaching_first(
    search: SetSearch, standings: list[tuple[Entry, Standing]], settings: RankSettings
) -> list[tuple[Entry, Standing]]:
    """Masters in order, those before all others that reach the target inside the budget.

    Notes
    -----
    A score, or a tie, is no reason to fall short of a target that another master reaches.
    """
    reaching = [
        entry
        for entry, standing in standings
        if standing.within_budget and _reaches(search, entry.name, settings)
    ]
    if not reaching or reaching[0].name == standings[0][0].name:
        return standings
    names = [entry.name for entry in reaching]
    short = [(e, _falls_short(e, s)) for e, s in standings if e.name not in names]
    on_front = {entry.name: standing.on_pareto_front for entry, standing in standings}
    return [
        (entry, replace(standing, rank=position, on_pareto_front=on_front[entry.name]))
        for position, (entry, standing) in enumerate([*rank(reaching, settings), *short], start=1)
    ]


def _reaches(search: SetSearch, name: str, settings: RankSettings) -> bool:
    """Whether a master reaches the target, and keeps the budget over the whole song."""
    target, group = settings.target, search.groups[MASTER]
    wanted, file = target_level(target) if target else None, group.weighed[name].file
    level = reached(file, target) if file and target else None
    if level is None or wanted is None or level + settings.ceiling_dbtp < wanted - REACHED_DB:
        return False
    if name == group.chains[0].name:
        return True
    return not breaches(search.heard_entry(MASTER, name, search.dry, whole_song=True), settings)


def _falls_short(entry: Entry, standing: Standing) -> Standing:
    if not standing.within_budget or entry.gain_lu is None or entry.added_pct is None:
        return standing
    why = (
        f"Falls short of the target, which others reach: {entry.gain_lu:+z.2f} LU for "
        f"{entry.added_pct:z.2f} % added distortion."
    )
    return replace(standing, tied_with_winner=False, why=why)


def drive_to(level_at: Callable[[float], float], target: float, reach_db: float) -> float | None:
    """The gentlest drive found that reaches a level, at most 0.05 dB over it; None if none does.

    Parameters
    ----------
    level_at : level in dB at a drive from 0 to reach_db, rising in the main
    """
    low_db, high_db = 0.0, reach_db
    low, high = level_at(low_db), level_at(high_db)
    if low >= target:
        return low_db
    if high < target:
        return None
    for _ in range(MAX_RENDERS):
        if high - target <= REACHED_DB or high_db - low_db <= 0.01:
            break
        share = (target - low) / (high - low)
        middle_db = round(low_db + (high_db - low_db) * min(max(share, 0.1), 0.9), 2)
        middle = level_at(middle_db)
        if middle >= target:
            high_db, high = middle_db, middle
        else:
            low_db, low = middle_db, middle
    return high_db


def _drive(search: SetSearch, chain: Chain, settings: RankSettings) -> None:
    """Drive one chain to the target; where that leaves the budget, as far as it allows."""
    target = settings.target or Target()
    wanted = target_level(target)
    if wanted is not None:
        (drive_range,) = chain.searches
        level_at = _levels_of(chain, search.groups[MASTER].reference, target, settings.ceiling_dbtp)
        try:
            drive_db = drive_to(level_at, wanted, drive_range.reach_db)
        except RenderError:
            drive_db = None
        if drive_db is not None:
            judged = DriveInMix(search, MASTER, search.dry, chain, price_lu_per_pct=0.0)
            if judged.keeps((drive_db,)):
                judged.take((drive_db,), (Found(drive_db, Ended.TARGET),))
                return
            if drive_db >= SHORTEST_DB:
                to_target = replace(drive_range, stop=drive_range.value(drive_db))
                chain = replace(chain, searches=(to_target,))
    DriveInMix(search, MASTER, search.dry, chain, price_lu_per_pct=0.0).find()


def _levels_of(
    chain: Chain, reference: Reference, target: Target, ceiling_dbtp: float
) -> Callable[[float], float]:
    """What a chain reaches at each drive of its final stage; the stages before it run once."""
    rate, samples = reference.sample_rate_hz, reference.samples
    before = replace(chain, stages=chain.stages[:-1])
    if before.stages:
        samples = render_chain(before, samples, rate).samples

    def level_at(drive_db: float) -> float:
        final = replace(before, stages=chain.driven([drive_db]).stages[-1:])
        level = reached(measure_file(render_chain(final, samples, rate).samples, rate), target)
        if level is None:
            raise RenderError("loudness or peak is not defined")
        return level + ceiling_dbtp

    return level_at
