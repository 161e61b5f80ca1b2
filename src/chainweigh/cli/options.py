"""What several commands share: options, progress on stderr, where a run goes."""

import os
import shutil
import sys
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from chainweigh.ranking.jobs import Progress, no_progress

if TYPE_CHECKING:
    from chainweigh.chain.chain import Chain
    from chainweigh.ranking.results import Results

EXIT_SOME_FAILED = 3

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


def table_width() -> int:
    """Columns to print a table in: those of the terminal, at least 80; 100 where there is none."""
    return max(80, shutil.get_terminal_size().columns) if sys.stdout.isatty() else 100


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
    from chainweigh.kernels import native_library

    if not native_library.compiled:
        say(
            "no compiled kernels: numpy twins do the same work, slower; install a C compiler and "
            "reinstall chainweigh",
            quiet=quiet,
        )


def known_chains(folder: Path | None) -> "tuple[Chain, ...]":
    """The chains of a folder; without one those that ship, searched ones last."""
    from chainweigh.chain.files import (
        load_chains,
        shipped_chains_folder,
        shipped_searches_folder,
    )

    if folder is not None:
        return load_chains(folder)
    return (*load_chains(shipped_chains_folder()), *load_chains(shipped_searches_folder()))


def free_run_folder(song_folder: Path, taken: Collection[Path] = ()) -> Path:
    """The next SONG-run, SONG-run-2 ... in the working folder that is neither there nor taken."""
    base, number = f"{song_folder.resolve().name}-run", 2
    folder = Path(base)
    while folder.exists() or folder in taken:
        folder, number = Path(f"{base}-{number}"), number + 1
    return folder


def exit_code(results: "Results") -> int:
    """3 when a candidate failed, else 0."""
    failed = any(c.failure for comparison in results.comparisons for c in comparison.candidates)
    return EXIT_SOME_FAILED if failed else 0
