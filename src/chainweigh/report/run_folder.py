"""A run's folder: audio, results, tables, page, recipe and session, whole or not at all."""

import shutil
from pathlib import Path

from chainweigh.audio.atomic import link_or_copy, write_text
from chainweigh.ranking.assembly import Run
from chainweigh.recipe.write import write_recipe
from chainweigh.report.outputs import DEFAULT_FORMATS, write_formats
from chainweigh.report.page import Listening
from chainweigh.report.results_json import FILE_NAME, write_results
from chainweigh.report.settings_sheet import settings_sheet


def write_run(run: Run, folder: Path, listening: Listening | None = None) -> None:
    """Write everything a run made into a fresh folder.

    What is there to listen to is hard-linked with the cache, copied where the disk cannot link;
    what others go on with, the session and the master, is copied.

    Raises
    ------
    RunFolderError
        A file cannot be written.
    """
    for name, source in (*run.cached_audio.items(), *run.handed_on.items()):
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        link_or_copy(source, target, link=name in run.cached_audio)
    for name, source in run.presets.items():
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        if source.is_dir():
            shutil.copytree(source, target)
        else:
            shutil.copyfile(source, target)
    write_text(folder / "session" / "settings.md", settings_sheet(run.results))
    write_recipe(run.results, folder / "recipe.toml")
    write_results(run.results, folder / FILE_NAME)
    write_formats(run.results, folder, DEFAULT_FORMATS, listening)
