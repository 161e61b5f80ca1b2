"""Every plot of the report as an SVG file of its own, in light and dark."""

from collections.abc import Iterator
from importlib import resources
from pathlib import Path

from chainweigh.audio.atomic import write_text
from chainweigh.audio.slug import slug
from chainweigh.ranking.results import Comparison, Results
from chainweigh.report.before_after import before_after, song_figures
from chainweigh.report.figures import candidate_figures
from chainweigh.report.page import environment
from chainweigh.report.plots import WIDE, plot_comparison

FOLDER = "plots"
PLOT = '{% import "plot.html.j2" as plots %}{{ plots.draw(plot, id, title) }}'


def write_svg_files(results: Results, run_folder: Path) -> Path:
    """Write RUN/plots, one SVG a drawing; returns that folder.

    Raises
    ------
    RunFolderError
        A file cannot be written.
    """
    style = resources.files("chainweigh.report").joinpath("templates/page.css").read_text("utf-8")
    folder = run_folder / FOLDER
    folder.mkdir(exist_ok=True)
    for name, svg in _drawings(results, run_folder):
        write_text(folder / f"{name}.svg", _standalone(svg, style))
    return folder


def _drawings(results: Results, run_folder: Path) -> Iterator[tuple[str, str]]:
    for figure in song_figures(results, run_folder):
        yield f"song-{figure.name}", figure.svg
    for comparison in results.comparisons:
        where = slug(comparison.name)
        plot = plot_comparison(comparison, results.settings, WIDE)
        if plot is not None:
            drawing = environment().from_string(PLOT)
            svg = drawing.render(plot=plot, id=where, title=comparison.name)
            yield f"{where}-gain-against-distortion", svg
        drawn = before_after(comparison, run_folder, results.source.sample_rate_hz)
        for figure in drawn.figures if drawn else ():
            yield f"{where}-{figure.name}", figure.svg
        yield from _of_candidates(comparison, where)


def _of_candidates(comparison: Comparison, where: str) -> Iterator[tuple[str, str]]:
    for candidate in comparison.candidates:
        rank = candidate.standing.rank
        for figure in candidate_figures(candidate):
            yield f"{where}-{rank:02}-{slug(candidate.name)}-{figure.name}", figure.svg


def _standalone(svg: str, style: str) -> str:
    """The drawing with its name space and the page's own style."""
    start = svg.index("<svg") + len("<svg")
    end = svg.index(">", start)
    ground = "svg { background: var(--page); }"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg"{svg[start:end]}>\n'
        f"<style>{style}{ground}</style>{svg[end + 1 :].rstrip()}\n"
    )
