"""How a set was chosen, as results.json holds it: the mix's peaks, the steps, the sets weighed."""

from dataclasses import dataclass, field

Reasons = dict[str, str]


@dataclass(frozen=True)
class GroupShare:
    """A group's part in a peak of the mix.

    `share_pct` of the peak is the group's, negative where it pulls the other way; `fall_db` is how
    much lower the mix peaks there without the group.
    """

    group: str
    share_pct: float
    fall_db: float | None
    undefined: Reasons = field(default_factory=dict)


@dataclass(frozen=True)
class PeakMoment:
    """One of the mix's highest true peaks; `channel` counts from 1."""

    at_s: float
    channel: int
    true_peak_dbtp: float
    shares: tuple[GroupShare, ...]


@dataclass(frozen=True)
class PeakSection:
    """The highest true peak of a stretch of the song, and mean shares in its four highest."""

    from_s: float
    to_s: float
    true_peak_dbtp: float
    shares: tuple[GroupShare, ...]


@dataclass(frozen=True)
class Peaks:
    """The mix's highest true peaks, the same by stretches of 10 s, and mean shares in them."""

    moments: tuple[PeakMoment, ...]
    sections: tuple[PeakSection, ...]
    shares: tuple[GroupShare, ...]


@dataclass(frozen=True)
class SetStep:
    """One change on the way to the set: the group most in the way, and what it then got."""

    group: str
    share_pct: float | None
    candidate: str
    mix_headroom_db: float | None
    undefined: Reasons = field(default_factory=dict)


@dataclass(frozen=True)
class ConsideredSet:
    """A set that was weighed on the mix; `candidates` in the order of the groups.

    `score_lu` is the headroom less the price of every group's added distortion.
    """

    candidates: tuple[str, ...]
    mix_headroom_db: float | None
    added_thdn_pct: float | None
    score_lu: float | None
    why: str
    undefined: Reasons = field(default_factory=dict)


@dataclass(frozen=True)
class SetsConsidered:
    """Which sets were weighed: every one of `n_possible`, or those a beam came upon.

    `best` lists the leading ones; `left_out` says which candidates took no part, and why.
    """

    how: str
    n_possible: int
    n_weighed: int
    best: tuple[ConsideredSet, ...]
    left_out: tuple[str, ...]
