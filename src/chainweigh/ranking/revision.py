"""A revised mix held against an earlier run: what moved, whose doing it is, who still wins."""

from collections.abc import Iterator, Sequence
from pathlib import Path

from chainweigh.audio.array import Samples, padded
from chainweigh.audio.files import read_audio
from chainweigh.errors import AudioFileError
from chainweigh.measure.summary import FileMeasures
from chainweigh.ranking.mix import measure_plr_db
from chainweigh.ranking.results import MASTER, Candidate, Comparison, Results
from chainweigh.ranking.revision_results import GroupMoved, Revision, WinnerSince
from chainweigh.song import Song, mix_of, sum_of

SAME_DB = 0.05
NO_AUDIO = "the earlier run's folder holds no audio of it at this sample rate"
NOT_BEFORE = "the group was not there before"
NOT_HERE = "the group is not there any more"
OTHER_SETTINGS = "Price, budget, target or ceiling were not the same in the earlier run."
NOT_DEFINED = "loudness or peak is not defined"


def compare_revision(earlier: Results, earlier_folder: Path, song: Song, now: Results) -> Revision:
    """What moved since an earlier run of the same song.

    Parameters
    ----------
    earlier_folder : that run's folder, whose dry groups are put into the revised mix one by one
    """
    before, here = ({c.name: c for c in run.comparisons} for run in (earlier, now))
    names = [name for name in dict.fromkeys((*here, *before)) if name != MASTER]
    groups = []
    for name in names:
        changed = _digests(earlier, name) != _digests(now, name)
        effect = _effect_db(name, before.get(name), earlier_folder, song) if changed else 0.0
        references = (_reference(before.get(name)), _reference(here.get(name)))
        groups.append(_moved(name, *references, changed=changed, effect_db=effect))
    winners = tuple(_winner(before[name], here[name]) for name in here if name in before)
    plr_before, plr_now = earlier.source.mix.plr_db, now.source.mix.plr_db
    said = list(_said(plr_before, plr_now, groups, winners))
    if earlier.settings != now.settings:
        said.append(OTHER_SETTINGS)
    return Revision(plr_before, plr_now, tuple(groups), winners, tuple(said))


def _reference(comparison: Comparison | None) -> FileMeasures | None:
    return comparison.reference if comparison else None


def _moved(
    name: str,
    before: FileMeasures | None,
    now: FileMeasures | None,
    *,
    changed: bool,
    effect_db: float | None,
) -> GroupMoved:
    values = {
        "integrated_lufs_before": before.integrated_lufs if before else None,
        "integrated_lufs": now.integrated_lufs if now else None,
        "plr_db_before": before.plr_db if before else None,
        "plr_db": now.plr_db if now else None,
    }
    undefined = {key: NOT_DEFINED for key, value in values.items() if value is None}
    if before is None:
        undefined |= dict.fromkeys(("integrated_lufs_before", "plr_db_before"), NOT_BEFORE)
    if now is None:
        undefined |= dict.fromkeys(("integrated_lufs", "plr_db"), NOT_HERE)
    if effect_db is None:
        undefined["mix_plr_change_db"] = NO_AUDIO
    return GroupMoved(name, changed, **values, mix_plr_change_db=effect_db, undefined=undefined)


def _digests(results: Results, group: str) -> list[str]:
    return sorted(f.digest for g in results.source.groups if g.name == group for f in g.files)


def _effect_db(name: str, before: Comparison | None, folder: Path, song: Song) -> float | None:
    """PLR of the revised mix less that of the same mix with the group as it was before."""
    parts: dict[str, Samples] = {g.name: g.samples for g in song.groups}
    if before is None:
        del parts[name]
    else:
        try:
            earlier = read_audio(folder / before.reference_audio)
        except AudioFileError:
            return None
        if earlier.sample_rate_hz != song.sample_rate_hz:
            return None
        parts[name] = earlier.samples
    if not parts:
        return None
    n_frames = max(part.shape[1] for part in parts.values())
    swapped = sum_of([padded(part, n_frames) for part in parts.values()])
    then = measure_plr_db(swapped, song.sample_rate_hz)
    after = measure_plr_db(mix_of(song.groups), song.sample_rate_hz)
    return None if then is None or after is None else after - then


def _winner(before: Comparison, now: Comparison) -> WinnerSince:
    """Held by name; a searched chain by the name of its file, whatever was found."""
    old = before.winner
    here = {c.name: c for c in now.candidates}
    files = {_file(c): c for c in reversed(now.candidates)}
    same = here.get(old) or files.get(next(_file(c) for c in before.candidates if c.name == old))
    if same is None:
        return WinnerSince(now.name, old, now.winner, False, f"{old} is no candidate any more")
    if same.name == now.winner:
        moved = "" if same.name == old else f", now as {same.name}"
        return WinnerSince(now.name, old, now.winner, True, f"{old} still wins{moved}")
    why = same.standing.why.removesuffix(".")
    said = f"{now.winner} wins now. {same.name} stands at place {same.standing.rank}: {why}"
    return WinnerSince(now.name, old, now.winner, False, said)


def _file(candidate: Candidate) -> str:
    """The chain's name in its file, without what was found."""
    found = "".join(f", {search.parameter} {search.found}" for search in candidate.searches)
    return candidate.name.removesuffix(found)


def _said(
    before: float | None,
    now: float | None,
    groups: Sequence[GroupMoved],
    winners: Sequence[WinnerSince],
) -> Iterator[str]:
    changed = [group for group in groups if group.changed]
    if not changed:
        yield "No stem has changed."
    if before is not None and now is not None:
        yield f"The mix's peak to loudness went from {before:.2f} to {now:.2f} dB."
    for group in sorted(changed, key=lambda g: -abs(g.mix_plr_change_db or 0.0)):
        yield f"{group.group} {_change_words(group)}{_effect_words(group)}."
    for winner in winners:
        yield f"{winner.comparison}: {winner.said}."


def _change_words(group: GroupMoved) -> str:
    if NOT_BEFORE in group.undefined.values():
        return "is new"
    if NOT_HERE in group.undefined.values():
        return "is gone"
    if group.integrated_lufs is None or group.integrated_lufs_before is None:
        return "changed"
    change = group.integrated_lufs - group.integrated_lufs_before
    if abs(change) < SAME_DB:
        return "changed at the same loudness"
    return f"is {abs(change):.1f} LU {'louder' if change > 0 else 'quieter'}"


def _effect_words(group: GroupMoved) -> str:
    effect = group.mix_plr_change_db
    if effect is None:
        return ""
    if abs(effect) < SAME_DB:
        return ", and the mix's peaks do not show it"
    return f", which moved it by {effect:+.2f} dB"
