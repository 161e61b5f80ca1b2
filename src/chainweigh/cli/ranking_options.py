"""Options that say what is preferred, what is allowed and what masters are to reach."""

import re
from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any, TypeVar

import click

from chainweigh.ranking.settings import Budget, RankSettings, Target

AS_BUDGET_ALLOWS = "budget"
LIMITS = {
    "thdn_programme_pct": ("thdn", "%", "distortion on the programme's tones"),
    "disturbed_pct": ("disturbed", "%", "disturbed frames in the mix"),
    "disturbed_onsets_pct": ("disturbed-onsets", "%", "disturbed onsets in the mix"),
    "punch_loss_db": ("punch", "dB", "punch lost"),
    "gain_movement_db": ("gain-movement", "dB", "gain movement"),
}
_Function = TypeVar("_Function", bound=Callable[..., Any])


class Quantity(click.ParamType[float | str]):
    """A number with its unit, such as -8LUFS, or one of a few words."""

    name = "quantity"

    def __init__(self, unit: str, *words: str) -> None:
        self._unit, self._words = unit, words

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float | str:
        """The number, or the word."""
        if isinstance(value, float) or value in self._words:
            return value  # type: ignore[no-any-return]
        match = re.fullmatch(rf"\s*([+-]?(?:\d+\.?\d*|\.\d+))\s*{self._unit}\s*", value)
        if match is None:
            words = "".join(f', or "{word}"' for word in self._words)
            self.fail(f'"{value}" is not a number with its unit, such as -8{self._unit}{words}')
        return float(match[1])


def ranking_options(command: _Function) -> _Function:
    """Price, tie, every limit of the budget, target and ceiling, in that order."""
    options = [
        click.option(
            "--price",
            type=click.FloatRange(min=0),
            metavar="LU",
            help="Loudness that 1 % of added distortion must be worth; 0.1 without it.",
        ),
        click.option(
            "--tie",
            type=click.FloatRange(min=0),
            metavar="LU",
            help="Scores closer than this tie, and the lower distortion wins; 0.1 without it.",
        ),
        *(_budget_option(field.name, field.default) for field in fields(Budget)),
        click.option(
            "--target",
            type=Quantity("LUFS", AS_BUDGET_ALLOWS),
            metavar="LOUDNESS",
            help="Drive the final stage of every master chain to this integrated loudness, such as "
            f'-8LUFS, or "{AS_BUDGET_ALLOWS}": as far as the budget allows.',
        ),
        click.option(
            "--target-rms",
            type=Quantity("dB"),
            metavar="RMS",
            help="The same to this maximum 300 ms RMS (plain, re 1.0), such as -6dB.",
        ),
        click.option(
            "--ceiling",
            type=Quantity("dBTP"),
            metavar="PEAK",
            help="True peak of the master; -1dBTP without it.",
        ),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def _budget_option(name: str, default: object) -> Callable[[_Function], _Function]:
    short, unit, about = LIMITS[name]
    return click.option(
        f"--budget-{short}",
        name,
        type=click.FloatRange(min=0),
        metavar=unit,
        help=f"Most {about} allowed; {default:g} without it.",
    )


def changed_settings(settings: RankSettings, options: dict[str, Any]) -> RankSettings:
    """Settings with what was said on the command line in place of theirs."""
    budget = {f.name: options[f.name] for f in fields(Budget) if options[f.name] is not None}
    changed: dict[str, Any] = {
        "price_lu_per_pct": options["price"],
        "tie_lu": options["tie"],
        "target": _target(options["target"], options["target_rms"]),
        "ceiling_dbtp": options["ceiling"],
    }
    given = {key: value for key, value in changed.items() if value is not None}
    return replace(settings, budget=replace(settings.budget, **budget), **given)


def _target(loudness: float | str | None, rms_db: float | None) -> Target | None:
    if loudness is not None and rms_db is not None:
        raise click.UsageError("--target and --target-rms are two targets; state one")
    if loudness == AS_BUDGET_ALLOWS:
        return Target()
    if loudness is None and rms_db is None:
        return None
    return Target(integrated_lufs=loudness, rms_max_300ms_db=rms_db)  # type: ignore[arg-type]
