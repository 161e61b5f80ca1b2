"""report.html: one file with everything in it but the audio, opened without network or server."""

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from chainweigh.audio.atomic import write_text
from chainweigh.ranking.order import LIMITS
from chainweigh.ranking.results import MASTER, Candidate, Comparison, Results
from chainweigh.report import formats, settings_text
from chainweigh.report.flags import flags
from chainweigh.report.in_mix import deciding, not_judged
from chainweigh.report.plots import NARROW, WIDE, Plot, plot_comparison, plottable
from chainweigh.report.price import price_sentence
from chainweigh.report.ranking_csv import FILE_NAME as CSV_NAME
from chainweigh.report.ranking_csv import is_chosen, write_ranking_csv

if TYPE_CHECKING:
    from jinja2 import Environment

FILE_NAME = "report.html"
FILE_ROWS = (
    ("integrated_lufs", "Integrated loudness"),
    ("momentary_max_lufs", "Momentary maximum"),
    ("short_term_max_lufs", "Short-term maximum"),
    ("lra_lu", "Loudness range"),
    ("true_peak_dbtp", "True peak"),
    ("true_peak_annex2_dbtp", "True peak, 4× (BS.1770 Annex 2)"),
    ("sample_peak_dbfs", "Sample peak"),
    ("rms_max_300ms_db", "Maximum 300 ms RMS, re 1.0"),
    ("rms_db", "RMS, re 1.0"),
    ("rms_aes17_dbfs", "RMS, AES17 (sine = 0 dBFS)"),
    ("crest_db", "Crest factor"),
    ("plr_db", "PLR (true peak − integrated)"),
    ("psr_min_db", "Least PSR of any 3 s"),
)


@dataclass(frozen=True)
class Player:
    """One audio file to listen to; `source` is None where the file is missing."""

    label: str
    path: str
    source: str | None
    is_reference: bool = False


@dataclass(frozen=True)
class Section:
    """One comparison as the page shows it."""

    id: str
    title: str
    comparison: Comparison
    measured: tuple[Candidate, ...]
    failed: tuple[Candidate, ...]
    off_plot: tuple[Candidate, ...]
    plots: tuple[Plot, ...]
    has_bare_ranks: bool
    players: tuple[Player, ...]
    price: str


@dataclass(frozen=True)
class Chosen:
    """One chain of the chosen set; `candidate` is None where this run did not compare it."""

    where: str
    chain: str
    link: str | None
    candidate: Candidate | None
    settings: tuple[str, ...]
    record: Any


def write_report(results: Results, run_folder: Path) -> Path:
    """Write report.html and ranking.csv into a run's folder; returns the page's path.

    Audio is linked by relative path; a file that is not there is said to be missing.

    Raises
    ------
    RunFolderError
        A file cannot be written.
    """
    page = run_folder / FILE_NAME
    write_text(page, render_page(results, run_folder))
    write_ranking_csv(results, run_folder / CSV_NAME)
    return page


def render_page(results: Results, run_folder: Path) -> str:
    """The text of report.html; `run_folder` is only asked which audio files exist."""
    sections = [
        _section(comparison, index, results, run_folder)
        for index, comparison in enumerate(results.comparisons, start=1)
    ]
    chosen = results.chosen
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            results=results,
            sections=sections,
            chosen=_chosen_chains(results, sections),
            master_player=_player("Master", chosen.master_audio, run_folder),
            n_failed=sum(len(section.failed) for section in sections),
            bars=_bars(results),
            script_hash=_script_hash(),
            csv_name=CSV_NAME,
        )
    )


def _section(comparison: Comparison, index: int, results: Results, folder: Path) -> Section:
    measured = tuple(c for c in comparison.candidates if c.failure is None)
    on_plot = plottable(comparison)
    drawn = (plot_comparison(comparison, results.settings, frame) for frame in (WIDE, NARROW))
    plots = tuple(plot for plot in drawn if plot is not None)
    return Section(
        id=f"comparison-{index}",
        title="Master" if comparison.scope == MASTER else comparison.name,
        comparison=comparison,
        measured=measured,
        failed=tuple(c for c in comparison.candidates if c.failure is not None),
        off_plot=tuple(c for c in measured if c not in on_plot),
        plots=plots,
        has_bare_ranks=any(not point.is_named for plot in plots for point in plot.points),
        players=_players(comparison, measured, folder),
        price=price_sentence(comparison, results.settings),
    )


def _players(
    comparison: Comparison, measured: Sequence[Candidate], folder: Path
) -> tuple[Player, ...]:
    reference = _player("Reference", comparison.reference_audio, folder, is_reference=True)
    found = [reference] if reference else []
    for candidate in measured:
        player = _player(candidate.name, candidate.audio, folder)
        if player:
            found.append(player)
    return tuple(found)


def _player(
    label: str, path: str | None, folder: Path, *, is_reference: bool = False
) -> Player | None:
    if not path:
        return None
    parts = PurePosixPath(path)
    inside = not parts.is_absolute() and ".." not in parts.parts
    here = inside and (folder / parts).is_file()
    return Player(label, path, f"./{quote(path)}" if here else None, is_reference)


def _chosen_chains(results: Results, sections: Sequence[Section]) -> list[Chosen]:
    links = {section.comparison.name: section.id for section in sections}
    chains = [
        Chosen(
            where=choice.group,
            chain=choice.candidate,
            link=links.get(choice.group),
            candidate=settings_text.find_candidate(results, choice.group, choice.candidate),
            settings=choice.settings,
            record=choice,
        )
        for choice in results.chosen.choices
    ]
    chosen = results.chosen
    master = settings_text.find_candidate(results, MASTER, chosen.master)
    link = links.get(MASTER)
    return [*chains, Chosen("Master", chosen.master, link, master, chosen.master_settings, None)]


@dataclass(frozen=True)
class Bar:
    """One bar of the headroom figure; lengths in percent of the figure's width."""

    label: str
    field: str
    value: float
    length: float


def _bars(results: Results) -> tuple[Bar, ...]:
    """All groups together against one at a time; nothing where a number is missing or negative."""
    chosen = results.chosen
    alone, together = chosen.sum_of_gains_dry_lu, chosen.mix_headroom_db
    if alone is None or together is None or min(alone, together) < 0 or max(alone, together) == 0:
        return ()
    longest = max(alone, together)
    return (
        Bar("All groups together", "mix_headroom_db", together, round(100 * together / longest, 2)),
        Bar(
            "One group at a time, added up",
            "sum_of_gains_dry_lu",
            alone,
            round(100 * alone / longest, 2),
        ),
    )


def _script_hash() -> str:
    script = resources.files("chainweigh.report").joinpath("templates/page.js").read_bytes()
    return base64.b64encode(hashlib.sha256(script).digest()).decode()


@cache
def _environment() -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("chainweigh.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=lambda value: formats.clean(value) if type(value) is str else value,
    )
    environment.globals.update(
        cell=_cell,
        missing=_missing,
        number=lambda field, value: formats.with_minus(formats.number(field, value)),
        unit=formats.unit,
        reason=formats.reason,
        new_notes=formats.Notes,
        key_text=settings_text.key_text,
        plugin_text=settings_text.plugin_text,
        plugin_verdicts=settings_text.plugin_verdicts,
        rendered_text=lambda stage, setting: formats.with_minus(
            settings_text.rendered_text(stage, setting)
        ),
        written_text=settings_text.written_text,
        is_chosen=is_chosen,
        file_rows=FILE_ROWS,
        limits=LIMITS,
        not_judged=not_judged,
        deciding=deciding,
        flags=flags,
    )
    return environment


def _cell(record: Any, field: str, notes: formats.Notes) -> Any:
    """A number, or n/a with a link to its reason."""
    from markupsafe import Markup

    value = getattr(record, field, None)
    if value is not None:
        shown = formats.with_minus(formats.number(field, value))
        return Markup('<data value="{}">{}</data>').format(repr(value), shown)
    undefined = getattr(record, "undefined", None)
    why = "not measured" if record is None else formats.reason(undefined, field)
    return _missing(notes, why)


def _missing(notes: formats.Notes, why: str) -> Any:
    """The mark that stands for a value that is not defined."""
    from markupsafe import Markup

    mark = notes.mark(why)
    return Markup(
        '<span class="none">n/a<a href="#{}-{}" aria-label="reason {}">{}</a></span>'
    ).format(notes.prefix, mark, mark, mark)
