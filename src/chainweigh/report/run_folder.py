"""A run's folder: audio, results, tables, page, recipe and session, whole or not at all."""

import shutil
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path

from chainweigh.audio.atomic import link_or_copy, write_text
from chainweigh.ranking.assembly import Run
from chainweigh.recipe.recipe import Recipe
from chainweigh.recipe.write import write_recipe
from chainweigh.render.cache import Cache
from chainweigh.report import page
from chainweigh.report.outputs import DEFAULT_FORMATS, write_formats
from chainweigh.report.page import Listening
from chainweigh.report.results_json import FILE_NAME, results_text, write_results
from chainweigh.report.settings_sheet import settings_sheet

COPIES_AT_ONCE = 2  # a copy waits for the kernel


def write_run(
    run: Run,
    folder: Path,
    listening: Listening | None = None,
    *,
    cache: Cache | None = None,
    applied: Recipe | None = None,
) -> None:
    """Write everything a run made into a fresh folder.

    Parameters
    ----------
    listening : what of the audio goes into the page
    cache : where a page made before may lie, and a new one is kept
    applied : the recipe that was put on the song, see `write_recipe`

    What is there to listen to is hard-linked with the cache, copied where the disk cannot link;
    what others go on with, the session and the master, is copied.

    Raises
    ------
    RunFolderError
        A file cannot be written.
    """
    _place_audio(run, folder)
    for name, source in run.presets.items():
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        if source.is_dir():
            shutil.copytree(source, target)
        else:
            shutil.copyfile(source, target)
    write_text(folder / "session" / "settings.md", settings_sheet(run.results))
    write_recipe(run.results, folder / "recipe.toml", applied)
    write_results(run.results, folder / FILE_NAME)
    write_text(folder / page.FILE_NAME, _page_text(run, folder, listening or Listening(), cache))
    write_formats(run.results, folder, [name for name in DEFAULT_FORMATS if name != "html"])


def _place_audio(run: Run, folder: Path) -> None:
    def place(name: str, source: Path) -> None:
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        link_or_copy(source, target, link=name in run.cached_audio)

    audio = run.cached_audio | run.handed_on
    with ThreadPoolExecutor(COPIES_AT_ONCE) as pool:
        list(pool.map(place, audio.keys(), audio.values()))


def _page_text(run: Run, folder: Path, listening: Listening, cache: Cache | None) -> str:
    if cache is None:
        return page.render_page(run.results, folder, listening)
    files = {name: path.name for name, path in (*run.cached_audio.items(), *run.handed_on.items())}
    key = cache.key("page", results_text(run.results), files, asdict(listening))
    text = cache.load(key, str)
    if text is None:
        text = page.render_page(run.results, folder, listening)
        cache.store(key, text, {}, run.results.source.sample_rate_hz)
    return text
