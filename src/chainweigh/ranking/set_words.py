"""What is said of a chosen set: its settings, its verdict, and whether the target is met."""

from collections.abc import Sequence
from math import inf

from chainweigh.chain.chain import BYPASS_NAME
from chainweigh.measure.summary import FileMeasures
from chainweigh.ranking.master_target import REACHED_DB, reached, target_level, target_text
from chainweigh.ranking.order import Entry
from chainweigh.ranking.results import Choice, ResolvedSetting, Standing, Written
from chainweigh.ranking.settings import RankSettings
from chainweigh.ranking.weighed_group import WeighedGroup


def settings_text(group: WeighedGroup, candidate: str) -> tuple[str, ...]:
    """A line a stage: its effect and every setting as rendered."""
    lines = []
    for stage in group.weighed[candidate].stages:
        parts = [f"{s.key} {_said(s.rendered)}{_origin(s)}" for s in stage.settings]
        lines.append(f"{stage.effect}: {', '.join(parts)}")
    return tuple(lines)


def verdict(
    choices: Sequence[Choice],
    headroom_db: float | None,
    master: Entry,
    thdn_pct: float | None,
    file: FileMeasures | None,
    in_the_way: str | None,
) -> str:
    """The set in a sentence or two.

    Parameters
    ----------
    choices : of the groups
    headroom_db : what they hand the mix
    master : the chosen master chain
    thdn_pct : distortion of the whole set
    file : the delivered master; None where it cannot be delivered
    in_the_way : what keeps every chain of every group over budget, where none keeps it
    """
    worked = [f"{c.candidate} on {c.group}" for c in choices if c.settings]
    failed = [
        f"{c.candidate} failed on {c.group}"
        for c in choices
        if c.candidate != BYPASS_NAME and not c.settings
    ]
    if master.failure is not None:
        failed.append(f"{master.name} failed on the master")
    groups = f"The set is {_listed(worked)}" if worked else "Every group stays dry"
    if in_the_way and not worked:
        groups += f", for no chain keeps the budget on any group ({in_the_way})"
    if failed:
        return f"{groups}; {_listed(failed)}, so the set cannot be judged."
    if headroom_db is None or master.gain_lu is None or thdn_pct is None or file is None:
        return f"{groups}; loudness or peak is not defined for this song, so nothing can be judged."
    return (
        f"{groups}: the mix gets {headroom_db:z.1f} dB of headroom. With {master.name} on the "
        f"master ({master.gain_lu:+z.1f} LU) the song reaches {file.integrated_lufs:.1f} LUFS at "
        f"{file.true_peak_dbtp:.1f} dBTP, with {thdn_pct:.1f} % distortion."
    )


def target_said(
    masters: WeighedGroup,
    pick: str,
    file: FileMeasures | None,
    standings: Sequence[tuple[Entry, Standing]],
    settings: RankSettings,
) -> str:
    """Whether the delivered master meets the target, and what was in the way; empty without one.

    Parameters
    ----------
    masters, pick : the master's comparison, and the chain chosen in it
    file : the delivered master
    standings : of the masters, the best first
    """
    target, ceiling = settings.target, settings.ceiling_dbtp
    level = reached(file, target) if file and target else None
    if file is None or target is None or level is None or file.true_peak_dbtp is None:
        return ""
    got = target_text(target, level + file.true_peak_dbtp)
    wanted = target_level(target)
    at = f"{pick} reaches {got} at {file.true_peak_dbtp:.1f} dBTP"
    if wanted is None:
        return f"As far as the budget allows, {at} (ceiling {ceiling:g})."
    if level + file.true_peak_dbtp >= wanted - REACHED_DB:
        return f"The target is met: {at}."
    why = " ".join(s.said for s in masters.searches.get(pick, ()))
    said = f"The target of {target_text(target, wanted)} is not met: {at}. {why}".rstrip()
    files = {e.name: masters.weighed[e.name].file for e, s in standings if s.within_budget}
    levels = {name: reached(file, target) for name, file in files.items() if file}
    known = {name: level + ceiling for name, level in levels.items() if level is not None}
    furthest = max(known, key=lambda name: known[name], default=pick)
    if furthest == pick or known[furthest] - known.get(pick, -inf) <= REACHED_DB:
        return said
    return f"{said} {furthest} gets to {target_text(target, known[furthest])}, at a lower score."


def _said(value: Written) -> str:
    """A value in words; switches read on and off."""
    if isinstance(value, bool):
        return "on" if value else "off"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _origin(setting: ResolvedSetting) -> str:
    if not setting.relative:
        return ""
    return f" ({setting.written}{'; ' + setting.note if setting.note else ''})"


def _listed(names: Sequence[str]) -> str:
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))
