"""What several commands share: options, progress on stderr, where a run goes."""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click
import msgspec

from chainweigh.kernels import native_library
from chainweigh.measure.frames import Span
from chainweigh.ranking.jobs import Progress, no_progress
from chainweigh.ranking.listening import LEAST_S
from chainweigh.ranking.results import Results
from chainweigh.report.page import Listening

EXIT_SOME_FAILED = 3

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


json_option = click.option("--json", "as_json", is_flag=True, help="Strict JSON on stdout.")
quiet_option = click.option("--quiet", is_flag=True, help="No progress and no messages.")
resample_option = click.option(
    "--resample",
    "resample_hz",
    type=click.IntRange(8_000, 384_000),
    metavar="RATE",
    help="Bring every stem to this sample rate in Hz; without it, mixed rates are an error.",
)
threads_option = click.option(
    "--threads",
    type=click.IntRange(1, 64),
    default=os.cpu_count() or 1,
    show_default="number of cores",
    help="Candidates weighed at once; results do not depend on it.",
)


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


def listening(excerpt: Span | None, no_audio: bool) -> Listening:
    """What those options ask for."""
    return Listening(excerpt, with_audio=not no_audio)


@contextmanager
def progress_bar(n_steps: int, *, quiet: bool) -> Iterator[Progress]:
    """A bar with time left on stderr; silent when stderr is not a terminal."""
    if quiet or not sys.stderr.isatty():
        yield no_progress
        return
    with click.progressbar(length=n_steps, file=sys.stderr, show_eta=True, show_pos=True) as bar:

        def step(steps: int, what: str) -> None:
            bar.label = what
            bar.update(steps)

        yield step


def say(text: str, *, quiet: bool = False) -> None:
    """A message for the user, on stderr."""
    if not quiet:
        click.echo(text, err=True)


def echo_json(value: object) -> None:
    """A record as strict JSON on stdout, indented by two."""
    content = msgspec.json.encode(value, enc_hook=str)
    click.echo(msgspec.json.format(content, indent=2).decode())


def say_if_slow(*, quiet: bool) -> None:
    """Say once that this install runs without its compiled kernels."""
    if not native_library.compiled:
        say(
            "no compiled kernels: numpy twins do the same work, slower; install a C compiler and "
            "reinstall chainweigh",
            quiet=quiet,
        )


def free_run_folder(song_folder: Path) -> Path:
    """The next free SONG-run, SONG-run-2 ... in the working folder."""
    base, number = f"{song_folder.resolve().name}-run", 2
    folder = Path(base)
    while folder.exists():
        folder, number = Path(f"{base}-{number}"), number + 1
    return folder


def exit_code(results: Results) -> int:
    """3 when a candidate failed, else 0."""
    failed = any(c.failure for comparison in results.comparisons for c in comparison.candidates)
    return EXIT_SOME_FAILED if failed else 0
