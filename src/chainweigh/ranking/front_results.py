"""A chain's Pareto front over its searched settings, as results.json holds it."""

from dataclasses import dataclass


@dataclass(frozen=True)
class FrontPoint:
    """Settings none of those tried beats: more loudness in the mix only for more distortion.

    `settings` as a chain file writes them, in the order of the chain's searched settings.
    """

    settings: tuple[str, ...]
    loudness_gain_lu: float
    added_thdn_pct: float


@dataclass(frozen=True)
class Front:
    """The front of `n_evaluated` settings tried, all inside the budget, least distortion first."""

    n_evaluated: int
    points: tuple[FrontPoint, ...]
