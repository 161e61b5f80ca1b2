"""chainweigh rank SONG."""

import sys
from dataclasses import replace
from pathlib import Path

import click

from chainweigh.audio.atomic import folder_in_place
from chainweigh.chain.files import load_chains, shipped_chains_folder
from chainweigh.cli import options
from chainweigh.measure.frames import Span
from chainweigh.ranking.personal_budget import load_personal_budget
from chainweigh.ranking.rank import plan_for, rank_song
from chainweigh.ranking.results import RankSettings
from chainweigh.render.cache import Cache
from chainweigh.report.results_json import results_text
from chainweigh.report.run_folder import write_run
from chainweigh.report.terminal import ranking_table
from chainweigh.song import load_song


@click.command("rank")
@click.argument("song", type=click.Path(path_type=Path))
@click.option(
    "--chains",
    "chains_folder",
    type=click.Path(path_type=Path),
    help="Folder of chain files; the shipped chains without it.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Run folder to write; SONG-run in the working folder without it.",
)
@click.option(
    "--budget-from",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Take the limits of audibility from a drive ladder marked and saved in a report.",
)
@options.resample_option
@options.threads_option
@options.listening_options
@options.json_option
@options.quiet_option
def command(
    song: Path,
    chains_folder: Path | None,
    out: Path | None,
    budget_from: Path | None,
    resample_hz: int | None,
    threads: int,
    excerpt: Span | None,
    no_audio: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Weigh every chain on every stem group and on the master, level-matched.

    SONG is a folder of stems: sub-folders or files are the groups, or song.toml names them.
    """
    settings = RankSettings()
    if budget_from is not None:
        budget = load_personal_budget(budget_from, settings.budget)
        settings = replace(settings, budget=budget)
    loaded = load_song(song, resample_hz=resample_hz)
    plan = plan_for(loaded, load_chains(chains_folder or shipped_chains_folder()))
    n_steps = sum(len(chains) for chains in plan.bus.values()) + len(plan.master)
    out = out or options.free_run_folder(song)
    options.say_if_slow(quiet=quiet)
    cache = Cache.at_default_place()
    with folder_in_place(out) as folder:
        with options.progress_bar(n_steps, quiet=quiet) as progress:
            run = rank_song(
                loaded, plan, settings=settings, cache=cache, threads=threads, progress=progress
            )
        write_run(run, folder, options.listening(excerpt, no_audio))
    cache.trim()
    if as_json:
        click.echo(results_text(run.results), nl=False)
    else:
        click.echo(ranking_table(run.results))
    options.say(f"cache: {cache.size_bytes() / 2**30:.2f} GiB in {cache.root}", quiet=quiet)
    options.say(f"run folder: {out} (open {out / 'report.html'})", quiet=quiet)
    sys.exit(options.exit_code(run.results))
