"""What moved since an earlier run of the same song, as results.json holds it."""

from dataclasses import dataclass, field

Reasons = dict[str, str]


@dataclass(frozen=True)
class GroupMoved:
    """One group before and now; it may be new, or gone.

    `mix_plr_change_db` is how much the revised mix's PLR changed because of this group: its PLR
    less that with the group as it was, or as it was not there, before.
    """

    group: str
    changed: bool
    integrated_lufs_before: float | None
    integrated_lufs: float | None
    plr_db_before: float | None
    plr_db: float | None
    mix_plr_change_db: float | None
    undefined: Reasons = field(default_factory=dict)


@dataclass(frozen=True)
class WinnerSince:
    """The earlier winner of one comparison, and whether it still wins."""

    comparison: str
    before: str
    now: str
    still_wins: bool
    said: str


@dataclass(frozen=True)
class Revision:
    """What moved since an earlier run, which group caused it, and whether its winners still win."""

    mix_plr_db_before: float | None
    mix_plr_db: float | None
    groups: tuple[GroupMoved, ...]
    winners: tuple[WinnerSince, ...]
    said: tuple[str, ...]
