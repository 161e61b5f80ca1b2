"""chainweigh apply RECIPE SONG..."""

import sys
from pathlib import Path

import click

from chainweigh.audio.atomic import folder_in_place
from chainweigh.audio.slug import slug
from chainweigh.cli import options
from chainweigh.ranking.results import Results
from chainweigh.recipe.apply import apply_recipe, map_groups, plan_of
from chainweigh.recipe.kept_levels import keep_levels
from chainweigh.recipe.recipe import load_recipe
from chainweigh.render.cache import Cache
from chainweigh.report.album import album_table
from chainweigh.report.results_json import load_results, results_text
from chainweigh.report.run_folder import write_run
from chainweigh.report.terminal import ranking_table
from chainweigh.song import load_song


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
@click.option(
    "--search-again",
    is_flag=True,
    help="Search the recipe's found drives again, 3 dB to either side, and pick the set anew.",
)
@click.option(
    "--map",
    "pairs",
    metavar="SONG-GROUP=RECIPE-GROUP",
    multiple=True,
    help="A group of the song that takes the recipe of a group of another name.",
)
@click.option(
    "--levels-from",
    type=click.Path(path_type=Path),
    metavar="RUN",
    help="Keep the levels and gains of this run of the main mix: for an instrumental or edit.",
)
@options.resample_option
@options.threads_option
@options.json_option
@options.quiet_option
def command(
    recipe_file: Path,
    song_folders: tuple[Path, ...],
    out: Path | None,
    search_again: bool,
    pairs: tuple[str, ...],
    levels_from: Path | None,
    resample_hz: int | None,
    threads: int,
    as_json: bool,
    quiet: bool,
) -> None:
    """Put a recipe's set on other songs: levels found anew, everything measured again."""
    if search_again and levels_from is not None:
        raise click.UsageError("--search-again looks for levels, --levels-from keeps them")
    recipe = load_recipe(recipe_file)
    if levels_from is not None:
        recipe = keep_levels(recipe, load_results(levels_from))
    recipe = map_groups(recipe, _pairs(pairs))
    n_steps = 0
    for song_folder in song_folders:  # all judged before work begins, none kept
        song = load_song(song_folder, resample_hz=resample_hz)
        n_steps += plan_of(recipe, song, search_again=search_again).n_jobs
    targets = _targets(song_folders, out)
    cache = Cache.at_default_place()
    options.say_if_slow(quiet=quiet)
    done: list[Results] = []
    with options.progress_bar(n_steps, quiet=quiet) as progress:
        for song_folder, target in zip(song_folders, targets, strict=True):
            if len(song_folders) > 1:
                song = load_song(song_folder, resample_hz=resample_hz)
            target.parent.mkdir(parents=True, exist_ok=True)
            with folder_in_place(target) as folder:
                run = apply_recipe(
                    recipe,
                    song,
                    cache=cache,
                    search_again=search_again,
                    threads=threads,
                    progress=progress,
                )
                write_run(run, folder, cache=cache, applied=recipe)
            done.append(run.results)
    cache.trim()
    _print(done, as_json=as_json)
    for target in targets:
        options.say(f"run folder: {target} (open {target / 'report.html'})", quiet=quiet)
    sys.exit(max(options.exit_code(results) for results in done))


def _pairs(texts: tuple[str, ...]) -> dict[str, str]:
    """Song's group -> recipe's group."""
    pairs: dict[str, str] = {}
    for text in texts:
        song_group, equals, recipe_group = text.partition("=")
        if not (song_group and equals and recipe_group):
            raise click.UsageError(f'--map "{text}" is not SONG-GROUP=RECIPE-GROUP')
        if song_group in pairs:
            raise click.UsageError(f'--map says twice what "{song_group}" takes')
        pairs[song_group] = recipe_group
    return pairs


def _targets(folders: tuple[Path, ...], out: Path | None) -> list[Path]:
    if out is None:
        targets: list[Path] = []
        for folder in folders:
            targets.append(options.free_run_folder(folder, taken=targets))
        return targets
    if len(folders) == 1:
        return [out]
    names = [slug(folder.resolve().name) for folder in folders]
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
        click.echo(ranking_table(results, width=options.table_width()))
    if len(done) > 1:
        click.echo(album_table(done))
