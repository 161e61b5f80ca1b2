"""chainweigh rank SONG."""

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from chainweigh.audio.atomic import folder_in_place
from chainweigh.chain.chain import Chain
from chainweigh.chain.files import load_chains, shipped_chains_folder
from chainweigh.cli import options
from chainweigh.cli.listening_options import listening, listening_options
from chainweigh.cli.ranking_options import changed_settings, ranking_options
from chainweigh.measure.frames import Span
from chainweigh.ranking.pareto_search import N_TRIALS
from chainweigh.ranking.personal_budget import load_personal_budget
from chainweigh.ranking.rank import plan_for, rank_song
from chainweigh.ranking.revision import compare_revision
from chainweigh.ranking.settings import RankSettings, check_settings
from chainweigh.render.cache import Cache
from chainweigh.report.results_json import load_results, results_text
from chainweigh.report.run_folder import write_run
from chainweigh.report.terminal import ranking_table
from chainweigh.song import load_song

NO_SEVERAL = "--pareto is for chains with two or more { search = [...] }, and none here has them"


@click.command("rank")
@click.argument("song", type=click.Path(path_type=Path))
@click.option(
    "--chains",
    "chains_folder",
    type=click.Path(path_type=Path),
    help="Folder of chain files; the shipped chains without it.",
)
@click.option(
    "--search",
    is_flag=True,
    help="Weigh the shipped chains whose drive is searched too: deeper, and slower.",
)
@click.option(
    "--pareto",
    is_flag=True,
    help=f"Try {N_TRIALS} settings of each chain with several searched ones, all moved at once, "
    "and list the Pareto front; needs the optional extra chainweigh[pareto].",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Run folder to write; SONG-run in the working folder without it.",
)
@click.option(
    "--since",
    type=click.Path(path_type=Path),
    metavar="RUN",
    help="An earlier run of this song: say what moved, which group caused it, who still wins.",
)
@click.option(
    "--budget-from",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Take the limits of audibility from a drive ladder marked and saved in a report.",
)
@ranking_options
@options.resample_option
@options.threads_option
@listening_options
@options.json_option
@options.quiet_option
def command(
    song: Path,
    chains_folder: Path | None,
    search: bool,
    pareto: bool,
    out: Path | None,
    since: Path | None,
    budget_from: Path | None,
    resample_hz: int | None,
    threads: int,
    excerpt: Span | None,
    no_audio: bool,
    as_json: bool,
    quiet: bool,
    **ranking: Any,
) -> None:
    """Weigh every chain on every stem group and on the master, level-matched.

    SONG is a folder of stems: sub-folders or files are the groups, or song.toml names them.
    """
    settings = RankSettings()
    if budget_from is not None:
        budget = load_personal_budget(budget_from, settings.budget)
        settings = replace(settings, budget=budget)
    settings = changed_settings(settings, ranking)
    check_settings(settings)
    earlier = load_results(since) if since is not None else None
    loaded = load_song(song, resample_hz=resample_hz)
    heard = listening(excerpt, no_audio, loaded.duration_s)
    chains = _chains(chains_folder, search)
    if pareto and not any(len(chain.searches) > 1 for chain in chains):
        raise click.UsageError(NO_SEVERAL)
    plan = plan_for(loaded, chains, n_pareto_trials=N_TRIALS if pareto else 0)
    out = out or options.free_run_folder(song)
    options.say_if_slow(quiet=quiet)
    cache = Cache.at_default_place()
    with folder_in_place(out) as folder:
        with options.progress_bar(plan.n_jobs, quiet=quiet) as progress:
            run = rank_song(
                loaded, plan, settings=settings, cache=cache, threads=threads, progress=progress
            )
        if since is not None and earlier is not None:
            revision = compare_revision(earlier, since, loaded, run.results)
            run = replace(run, results=replace(run.results, revision=revision))
        write_run(run, folder, heard, cache=cache)
    size_bytes = cache.trim()
    if as_json:
        click.echo(results_text(run.results), nl=False)
    else:
        click.echo(ranking_table(run.results, width=options.table_width()))
    options.say(f"cache: {size_bytes / 2**30:.2f} GiB in {cache.root}", quiet=quiet)
    options.say(f"run folder: {out} (open {out / 'report.html'})", quiet=quiet)
    sys.exit(options.exit_code(run.results))


def _chains(folder: Path | None, search: bool) -> tuple[Chain, ...]:
    if search and folder is not None:
        raise click.UsageError("--search adds chains that ship; your own say { search = [...] }")
    return options.known_chains(None) if search else load_chains(folder or shipped_chains_folder())
