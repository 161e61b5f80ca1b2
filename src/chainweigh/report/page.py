"""report.html: one file with everything in it, opened without network or server."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chainweigh.audio.atomic import write_text
from chainweigh.measure.frames import Span
from chainweigh.ranking.listening import ListeningRoom, candidate_sources, ladder_sources
from chainweigh.ranking.order import LIMITS
from chainweigh.ranking.results import MASTER, Candidate, Results
from chainweigh.report import formats, settings_text
from chainweigh.report.before_after import before_after, song_figures
from chainweigh.report.drive_figures import drive_figures
from chainweigh.report.embedded_audio import Embedded, audio_texts, embed, listening_data
from chainweigh.report.figures import candidate_figures
from chainweigh.report.flags import flags
from chainweigh.report.front_text import front_texts
from chainweigh.report.in_mix import deciding, not_judged
from chainweigh.report.ladder_data import LADDER_ID, ladder_data
from chainweigh.report.ranking_csv import FILE_NAME as CSV_NAME
from chainweigh.report.ranking_csv import is_chosen
from chainweigh.report.script import page_script, script_hash, script_json
from chainweigh.report.sections import Section, player, section_of

if TYPE_CHECKING:
    from jinja2 import Environment

FILE_NAME = "report.html"
PAGE_LIMIT_BYTES = 25_000_000
PANEL_BYTES = 32_768  # what a comparison's listening part takes beside its audio
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
class Chosen:
    """One chain of the chosen set; `candidate` is None where this run did not compare it."""

    where: str
    chain: str
    link: str | None
    candidate: Candidate | None
    settings: tuple[str, ...]
    record: Any


@dataclass(frozen=True)
class Listening:
    """What of the run's audio goes into the page: the passage (None: the loudest), or nothing."""

    wanted: Span | None = None
    with_audio: bool = True


def write_report(results: Results, run_folder: Path, listening: Listening | None = None) -> Path:
    """Write report.html into a run's folder; returns its path.

    Raises
    ------
    RunFolderError
        A file cannot be written.
    """
    page = run_folder / FILE_NAME
    write_text(page, render_page(results, run_folder, listening))
    return page


def render_page(results: Results, run_folder: Path, listening: Listening | None = None) -> str:
    """The text of report.html, with as much audio as keeps it under 25 MB.

    Audio that is not in the run's folder is said to be missing.
    """
    listening = listening or Listening()
    page = _Page(results, run_folder, listening)
    silent = page.text({})
    if not listening.with_audio:
        return silent
    rooms = _rooms(results, run_folder, listening.wanted)
    source = results.source
    room_bytes = PAGE_LIMIT_BYTES - len(silent.encode()) - PANEL_BYTES * (1 + len(rooms))
    found = embed(list(rooms.values()), source.tempo_bpm, source.beats_per_bar, room_bytes)
    embedded = {id: e for id, e in zip(rooms, found, strict=True) if e is not None}
    return page.text(embedded) if embedded else silent


def _rooms(results: Results, folder: Path, wanted: Span | None) -> dict[str, ListeningRoom]:
    """What can be listened to, by its identifier in the page: every comparison, and the ladder."""
    rooms = {
        f"comparison-{i}": ListeningRoom(results, c, candidate_sources(c), folder, wanted)
        for i, c in enumerate(results.comparisons, start=1)
    }
    ladder = results.ladder
    climbed = [c for c in results.comparisons if ladder and c.name == ladder.comparison]
    if ladder and climbed:
        rungs = ladder_sources(ladder)
        rooms[LADDER_ID] = ListeningRoom(results, climbed[0], rungs, folder, wanted, whole=True)
    return rooms


class _Page:
    """A run's page; what is measured of its files is measured once."""

    def __init__(self, results: Results, folder: Path, listening: Listening) -> None:
        self._results, self._folder, self._listening = results, folder, listening
        rate = results.source.sample_rate_hz
        self._drawn = [before_after(c, folder, rate) for c in results.comparisons]
        self._song_figures = song_figures(results, folder)

    def text(self, embedded: Mapping[str, Embedded]) -> str:
        """The page with these passages, by identifier."""
        results = self._results
        sections = [
            section_of(comparison, i, results, self._folder, embedded.get(f"comparison-{i}"), drawn)
            for i, (comparison, drawn) in enumerate(
                zip(results.comparisons, self._drawn, strict=True), start=1
            )
        ]
        chosen = results.chosen
        script = page_script()
        data = [listening_data(id, e) for id, e in embedded.items() if id != LADDER_ID]
        ladder = embedded.get(LADDER_ID)
        return (
            environment()
            .get_template("report.html.j2")
            .render(
                results=results,
                sections=sections,
                chosen=_chosen_chains(results, sections),
                master_player=player("Master", chosen.master_audio, self._folder),
                n_failed=sum(len(section.failed) for section in sections),
                bars=_bars(results),
                song_figures=self._song_figures,
                script=script,
                script_hash=script_hash(script),
                listening_json=script_json(data),
                ladder=ladder,
                ladder_json=script_json(ladder_data(results.ladder, ladder)),
                audio_texts=[text for id, e in embedded.items() for text in audio_texts(id, e)],
                listening_wanted=self._listening.wanted,
                with_audio=self._listening.with_audio,
                csv_name=CSV_NAME,
            )
        )


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


@cache
def environment() -> "Environment":
    """The page's templates: escaped, strict, with what they format numbers by."""
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
        number_text=formats.with_minus,
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
        candidate_figures=candidate_figures,
        drive_figures=drive_figures,
        front_texts=front_texts,
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
