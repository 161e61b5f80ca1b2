"""chainweigh apply RECIPE SONG..."""

import sys
from pathlib import Path

import click

from chainweigh.audio.atomic import folder_in_place
from chainweigh.audio.slug import slug
from chainweigh.cli import options
from chainweigh.ranking.results import Results
from chainweigh.recipe.apply import apply_recipe, plan_of
from chainweigh.recipe.recipe import load_recipe
from chainweigh.render.cache import Cache
from chainweigh.report.results_json import results_text
from chainweigh.report.run_folder import write_run
from chainweigh.report.terminal import ranking_table
from chainweigh.song import Song, load_song


@click.command("apply")
@click.argument("recipe_file", metavar="RECIPE", type=click.Path(path_type=Path))
@click.argument(
    "song_folders", metavar="SONG...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Run folder of one song; with several songs, the folder that gets one run folder a song.",
)
@options.resample_option
@options.threads_option
@options.json_option
@options.quiet_option
def command(
    recipe_file: Path,
    song_folders: tuple[Path, ...],
    out: Path | None,
    resample_hz: int | None,
    threads: int,
    as_json: bool,
    quiet: bool,
) -> None:
    """Put a recipe's set on other songs: levels found anew, everything measured again."""
    recipe = load_recipe(recipe_file)
    songs = [load_song(folder, resample_hz=resample_hz) for folder in song_folders]
    n_steps = sum(plan_of(recipe, song).n_jobs for song in songs)
    targets = _targets(song_folders, songs, out)
    cache = Cache.at_default_place()
    options.say_if_slow(quiet=quiet)
    done: list[Results] = []
    with options.progress_bar(n_steps, quiet=quiet) as progress:
        for song, target in zip(songs, targets, strict=True):
            target.parent.mkdir(parents=True, exist_ok=True)
            with folder_in_place(target) as folder:
                run = apply_recipe(recipe, song, cache=cache, threads=threads, progress=progress)
                write_run(run, folder)
            done.append(run.results)
    cache.trim()
    _print(done, as_json=as_json)
    for target in targets:
        options.say(f"run folder: {target} (open {target / 'report.html'})", quiet=quiet)
    sys.exit(max(options.exit_code(results) for results in done))


def _targets(folders: tuple[Path, ...], songs: list[Song], out: Path | None) -> list[Path]:
    if out is None:
        return [options.free_run_folder(folder) for folder in folders]
    if len(songs) == 1:
        return [out]
    names = [slug(song.folder_name) for song in songs]
    twice = {name for name in names if names.count(name) > 1}
    if twice:
        raise click.UsageError(f"two songs would write to {out / twice.pop()}")
    return [out / name for name in names]


def _print(done: list[Results], *, as_json: bool) -> None:
    texts = [results_text(results).rstrip() for results in done]
    if as_json:
        click.echo(texts[0] if len(texts) == 1 else f"[{','.join(texts)}]")
        return
    for results in done:
        click.echo(ranking_table(results))
