"""The stated preference, the budget and the target of a ranking."""

from dataclasses import asdict, dataclass, field
from math import isfinite

from chainweigh.errors import SettingsError

READABLE_THDN_PCT = 1e-5  # tones rounded to 32-bit float read about a third of it by themselves


@dataclass(frozen=True)
class Budget:
    """Limits a candidate must keep to be ranked as usable.

    Disturbed frames and onsets count in the mix; punch and gain movement on the group itself.
    """

    thdn_programme_pct: float = 10.0
    disturbed_pct: float = 1.0
    disturbed_onsets_pct: float = 5.0
    punch_loss_db: float = 1.0
    gain_movement_db: float = 3.0


@dataclass(frozen=True)
class Target:
    """What masters are driven to: a loudness, or a maximum 300 ms RMS (plain, re 1.0).

    Without either they are driven as far as the budget allows.
    """

    integrated_lufs: float | None = None
    rms_max_300ms_db: float | None = None


@dataclass(frozen=True)
class RankSettings:
    """The stated preference and limits behind the order, and what the masters are to reach.

    Without a target every master chain is judged as it is written.
    """

    price_lu_per_pct: float = 0.1
    tie_lu: float = 0.1
    budget: Budget = field(default_factory=Budget)
    target: Target | None = None
    ceiling_dbtp: float = -1.0


def check_settings(settings: RankSettings) -> None:
    """Refuse settings that nothing can keep or that say nothing.

    Raises
    ------
    SettingsError
        A number that is negative or not finite where it may not be, an empty budget, two targets.
    """
    limits = asdict(settings.budget)
    numbers = {"price_lu_per_pct": settings.price_lu_per_pct, "tie_lu": settings.tie_lu, **limits}
    for name, value in numbers.items():
        if not isfinite(value) or value < 0:
            raise SettingsError(f"{name} = {value:g}; 0 or more is allowed")
    if settings.budget.thdn_programme_pct < READABLE_THDN_PCT:
        raise SettingsError(
            f"the budget is empty: thdn_programme_pct = {settings.budget.thdn_programme_pct:g} % "
            "is less than the instrument can read; not even the dry reference, which reads the "
            f"rounding of 32-bit float tones, keeps it; state {READABLE_THDN_PCT:g} % or more"
        )
    target = settings.target or Target()
    levels = (target.integrated_lufs, target.rms_max_300ms_db)
    if None not in levels:
        raise SettingsError("integrated_lufs and rms_max_300ms_db are two targets; state one")
    for level in (*levels, settings.ceiling_dbtp):
        if level is not None and not -70 < level <= 0:
            raise SettingsError(f"a target or ceiling of {level:g} dB; -70 to 0 is allowed")
