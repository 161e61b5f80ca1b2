"""Options that say which audio a report holds."""

from collections.abc import Callable
from typing import Any, TypeVar

import click

from chainweigh.measure.frames import Span
from chainweigh.ranking.listening import LEAST_S
from chainweigh.report.page import Listening

_Function = TypeVar("_Function", bound=Callable[..., Any])


def _excerpt(context: click.Context, option: click.Parameter, text: str | None) -> Span | None:
    """START:END as numbers; a usage error where they are none or less than a second apart."""
    if text is None:
        return None
    start, _, end = text.partition(":")
    try:
        span = (float(start), float(end))
    except ValueError as error:
        raise click.BadParameter(f"{text!r} is not in seconds, such as 12.5:20") from error
    if not (span[0] >= 0 and LEAST_S <= span[1] - span[0] < float("inf")):
        raise click.BadParameter(f"{text!r}: END must lie {LEAST_S:g} s or more after START")
    return span


def listening_options(command: _Function) -> _Function:
    """Which audio the report holds."""
    for option in (
        click.option("--no-audio", is_flag=True, help="A small report, without audio in it."),
        click.option(
            "--excerpt",
            metavar="START:END",
            callback=_excerpt,
            help="Passage to listen to in the report, in seconds; the loudest without it.",
        ),
    ):
        command = option(command)
    return command


def listening(excerpt: Span | None, no_audio: bool, duration_s: float) -> Listening:
    """What those options ask for; a usage error where the song ends before the passage does."""
    if excerpt is not None and excerpt[1] > duration_s:
        start, end = excerpt
        raise click.BadParameter(
            f"{start:g}:{end:g} is not all in the song, which lasts {duration_s:.2f} s",
            param_hint="--excerpt",
        )
    return Listening(excerpt, with_audio=not no_audio)
