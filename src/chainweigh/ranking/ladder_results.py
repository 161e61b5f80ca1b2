"""The drive ladder as results.json holds it."""

from dataclasses import dataclass, field

Reasons = dict[str, str]


@dataclass(frozen=True)
class Rung:
    """A chosen chain driven harder or less: its input turned by `drive_db`, its levels as chosen.

    What is over a limit here was not ranked; the listener says where it is first heard.
    """

    drive_db: float
    audio: str | None
    failure: str | None
    match_gain_db: float | None
    disturbed_pct: float | None
    disturbed_onsets_pct: float | None
    undefined: Reasons = field(default_factory=dict)


@dataclass(frozen=True)
class Ladder:
    """One comparison's chosen chain at rising drive, in the mix of the chosen set."""

    comparison: str
    candidate: str
    rungs: tuple[Rung, ...]
