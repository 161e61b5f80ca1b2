"""A revised mix held against an earlier run: what moved, whose doing it is, who still wins."""

from collections.abc import Iterator, Mapping
from pathlib import Path

from chainweigh.audio.array import Samples, padded
from chainweigh.audio.files import read_audio
from chainweigh.errors import AudioFileError
from chainweigh.measure.summary import FileMeasures
from chainweigh.ranking.mix import measure_plr_db
from chainweigh.ranking.results import Comparison, Results
from chainweigh.ranking.revision_results import GroupMoved, Revision, WinnerSince
from chainweigh.song import Song, mix_of, sum_of

SAME_DB = 0.05
NO_AUDIO = "the earlier run's folder holds no audio of it at this sample rate"
NOT_BEFORE = "the group was not there before"
NOT_DEFINED = "loudness or peak is not defined"


def compare_revision(earlier: Results, earlier_folder: Path, song: Song, now: Results) -> Revision:
    """What moved since an earlier run of the same song.

    Parameters
    ----------
    earlier_folder : that run's folder, whose dry groups are put into the revised mix one by one
    """
    before = {c.name: c for c in earlier.comparisons}
    plr_now = now.source.mix.plr_db
    groups = tuple(
        _moved(comparison, before.get(comparison.name), earlier, earlier_folder, song, now)
        for comparison in now.comparisons
        if comparison.scope == "bus"
    )
    winners = tuple(
        _winner(before[comparison.name], comparison)
        for comparison in now.comparisons
        if comparison.name in before
    )
    gone = sorted(set(before) - {c.name for c in now.comparisons})
    said = tuple(_said(earlier.source.mix.plr_db, plr_now, groups, winners, gone))
    return Revision(earlier.source.mix.plr_db, plr_now, groups, winners, said)


def _moved(
    comparison: Comparison,
    before: Comparison | None,
    earlier: Results,
    folder: Path,
    song: Song,
    now: Results,
) -> GroupMoved:
    name, undefined = comparison.name, {}
    effect = None
    changed = before is None or _digests(earlier, name) != _digests(now, name)
    if before is None:
        undefined["mix_plr_change_db"] = NOT_BEFORE
    elif not changed:
        effect = 0.0
    else:
        effect = _effect_db(name, folder / before.reference_audio, song)
        if effect is None:
            undefined["mix_plr_change_db"] = NO_AUDIO
    old: FileMeasures | None = before.reference if before else None
    values = {
        "integrated_lufs_before": old.integrated_lufs if old else None,
        "integrated_lufs": comparison.reference.integrated_lufs,
        "plr_db_before": old.plr_db if old else None,
        "plr_db": comparison.reference.plr_db,
    }
    missing = NOT_BEFORE if old is None else NOT_DEFINED
    undefined |= {key: missing for key, value in values.items() if value is None}
    return GroupMoved(name, changed, **values, mix_plr_change_db=effect, undefined=undefined)


def _digests(results: Results, group: str) -> list[str]:
    return sorted(f.digest for g in results.source.groups if g.name == group for f in g.files)


def _effect_db(name: str, audio: Path, song: Song) -> float | None:
    """PLR of the revised mix less that of the same mix with the earlier group."""
    try:
        earlier = read_audio(audio)
    except AudioFileError:
        return None
    if earlier.sample_rate_hz != song.sample_rate_hz:
        return None
    n_frames = max(earlier.samples.shape[1], song.n_frames)
    parts: Mapping[str, Samples] = {
        g.name: earlier.samples if g.name == name else g.samples for g in song.groups
    }
    swapped = sum_of([padded(part, n_frames) for part in parts.values()])
    before = measure_plr_db(swapped, song.sample_rate_hz)
    after = measure_plr_db(mix_of(song.groups), song.sample_rate_hz)
    return None if before is None or after is None else after - before


def _winner(before: Comparison, now: Comparison) -> WinnerSince:
    """Held by name; a searched chain by the name of its file, whatever was found."""
    old = before.winner
    here = {c.name: c for c in now.candidates}
    same = here.get(old) or next((c for n, c in here.items() if _file(n) == _file(old)), None)
    if same is None:
        return WinnerSince(now.name, old, now.winner, False, f"{old} is no candidate any more")
    if same.name == now.winner:
        moved = "" if same.name == old else f", now as {same.name}"
        return WinnerSince(now.name, old, now.winner, True, f"{old} still wins{moved}")
    said = f"{now.winner} wins now; {same.name} is {same.standing.rank}.: {same.standing.why}"
    return WinnerSince(now.name, old, now.winner, False, said)


def _file(name: str) -> str:
    return name.split(", ")[0]


def _said(
    before: float | None,
    now: float | None,
    groups: tuple[GroupMoved, ...],
    winners: tuple[WinnerSince, ...],
    gone: list[str],
) -> Iterator[str]:
    changed = [group for group in groups if group.changed]
    if not changed and not gone:
        yield "No stem has changed."
    if before is not None and now is not None:
        yield f"The mix's peak to loudness went from {before:.2f} to {now:.2f} dB."
    causes = [g for g in changed if abs(g.mix_plr_change_db or 0.0) >= SAME_DB]
    causes.sort(key=lambda g: -abs(g.mix_plr_change_db or 0.0))
    for group in causes:
        yield f"{group.group} moved it by {group.mix_plr_change_db:+.2f} dB{_level_words(group)}."
    for group in changed:
        if group not in causes:
            yield f"{group.group} changed{_level_words(group)}, and the mix's peaks do not show it."
    for name in gone:
        yield f"{name} is gone."
    for winner in winners:
        yield f"{winner.comparison}: {winner.said}."


def _level_words(group: GroupMoved) -> str:
    if group.integrated_lufs is None or group.integrated_lufs_before is None:
        return ""
    change = group.integrated_lufs - group.integrated_lufs_before
    if abs(change) < SAME_DB:
        return " at the same loudness"
    return f" and is {abs(change):.1f} LU {'louder' if change > 0 else 'quieter'}"
