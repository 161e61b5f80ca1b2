"""The ranking as plain text for a terminal."""

from collections.abc import Iterator

from chainweigh.ranking.results import Candidate, Choice, ChosenSet, Comparison, Results
from chainweigh.report.flags import flags
from chainweigh.report.formats import Notes, number, one_line, plain, reason
from chainweigh.report.front_text import front_texts
from chainweigh.report.in_mix import deciding, not_judged
from chainweigh.report.price import price_sentence
from chainweigh.report.set_table import expectation_lines, set_lines
from chainweigh.report.settings_text import plugin_verdicts
from chainweigh.report.text_table import (
    Column,
    bullets,
    column_widths,
    cut,
    heading_lines,
    row_line,
    with_names_cut,
    wrapped,
)

GROUP_CELLS = 24
BY_RESIDUAL = "*"
ON_FRONT = "◆"
RANKING = (
    Column("rank"),
    Column("candidate", right=False),
    Column("gain in\nmix LU"),
    Column("soloed\nLU"),
    Column("distor-\ntion %"),
    Column("score\nLU"),
    Column("dis-\nturbed\n%"),
    Column("budget", right=False),
)
CHOSEN = (
    Column("group", right=False),
    Column("chain", right=False),
    Column("gain in\nset LU"),
    Column("alone\nLU"),
    Column("distor-\ntion %"),
)


def ranking_table(results: Results, *, width: int = 100) -> str:
    """Every comparison's ranking and the chosen set, as text `width` characters wide.

    Names longer than the numbers leave room for are cut in the middle, reasons are wrapped, and
    characters a terminal would act on are replaced. A value that is not defined reads n/a with the
    number of its reason below the table.
    """
    lines = [one_line(results.source.title), *wrapped(one_line(results.chosen.verdict), width)]
    for comparison in results.comparisons:
        lines += ["", *_comparison_lines(results, comparison, width)]
    lines += ["", *_chosen_lines(results.chosen, width), *set_lines(results.chosen, width)]
    if results.expectations:
        lines += ["", *expectation_lines(results.expectations)]
    since = results.revision.said if results.revision else ()
    told = (("Since the earlier run", since), ("Warnings", results.warnings))
    for heading, texts in (*told, ("Notes", results.notes)):
        if texts:
            lines += ["", heading, *bullets([one_line(text) for text in texts], width)]
    return "\n".join(lines) + "\n"


def _cell(record: object, field: str, notes: Notes, missing: str) -> str:
    value = getattr(record, field, None)
    if value is not None:
        return number(field, value)
    undefined = getattr(record, "undefined", None)
    why = missing if record is None else reason(undefined, field)
    return f"n/a [{notes.mark(one_line(why))}]"


def _comparison_lines(results: Results, comparison: Comparison, width: int) -> Iterator[str]:
    notes = Notes()
    measured = [c for c in comparison.candidates if c.failure is None]
    failed = [c for c in comparison.candidates if c.failure is not None]
    rows = [_ranking_row(candidate, notes) for candidate in measured]
    rows = with_names_cut(RANKING, rows, 1, width)
    widths = column_widths(RANKING, rows)
    label = "Master" if comparison.scope == "master" else f"Group {one_line(comparison.name)}"
    yield f"{label}: {len(measured)} weighed, {len(failed)} failed"
    yield from heading_lines(RANKING, widths)
    for candidate, row in zip(measured, rows, strict=True):
        yield row_line(row, RANKING, widths)
        found = (search.said for search in candidate.searches)
        verdicts = plugin_verdicts(candidate)
        front = front_texts(candidate.front)
        told = (candidate.standing.why, *found, *front, *_limiter_work(candidate))
        for text in (*told, *flags(candidate), *verdicts):
            yield from wrapped(one_line(text), width, " " * (widths[0] + 2))
    for candidate in failed:
        text = f"failed  {one_line(candidate.name)}: {one_line(candidate.failure or '')}"
        yield from wrapped(text, width)
    if any(candidate.standing.on_pareto_front for candidate in measured):
        yield f"{ON_FRONT} on the Pareto front of gain and added distortion"
    if any(candidate.standing.ranked_by == "residual" for candidate in measured):
        text = "the tones do not show it: the residual on the programme ranks"
        yield from wrapped(f"{BY_RESIDUAL} {text}", width)
    for index, text in enumerate(notes.reasons, start=1):
        yield from wrapped(f"[{index}] {text}", width)
    yield from wrapped(one_line(price_sentence(comparison, results.settings)), width)


def _limiter_work(candidate: Candidate) -> Iterator[str]:
    work = candidate.final_limiter_work_db_s
    if work is not None:
        yield f"Its final limiter is fed {plain(work)} dB s above its ceiling."


def _ranking_row(candidate: Candidate, notes: Notes) -> list[str]:
    standing = candidate.standing
    budget = "within" if standing.within_budget else "over"
    mark = BY_RESIDUAL if standing.ranked_by == "residual" else " "
    return [
        f"{standing.rank}{ON_FRONT if standing.on_pareto_front else ' '}",
        one_line(candidate.name),
        _cell(standing, "loudness_gain_lu", notes, ""),
        _cell(standing, "loudness_gain_soloed_lu", notes, ""),
        _cell(standing, "ranked_distortion_pct", notes, "") + mark,
        _cell(standing, "score_lu", notes, ""),
        _cell(deciding(candidate), "disturbed_pct", notes, not_judged(candidate) or ""),
        budget,
    ]


def _chosen_lines(chosen: ChosenSet, width: int) -> Iterator[str]:
    notes = Notes()
    rows = [_choice_row(choice, notes) for choice in chosen.choices]
    rows = with_names_cut(CHOSEN, rows, 1, width)
    widths = column_widths(CHOSEN, rows)
    yield "Chosen set"
    yield from heading_lines(CHOSEN, widths)
    yield from (row_line(row, CHOSEN, widths) for row in rows)
    yield ""
    facts = (
        ("Mix headroom, all groups together", "mix_headroom_db", "dB"),
        ("The same chains one group at a time, added up", "sum_of_gains_dry_lu", "LU"),
        ("Distortion of the groups", "thdn_groups_pct", "%"),
        ("Distortion with the master", "thdn_with_master_pct", "%"),
        ("Gain of the master chain", "master_gain_lu", "LU"),
    )
    for label, field, unit in facts:
        yield f"{label:<48}{_cell(chosen, field, notes, ''):>8} {unit}"
    yield from _master_lines(chosen, notes, width)
    for index, text in enumerate(notes.reasons, start=1):
        yield from wrapped(f"[{index}] {text}", width)


def _choice_row(choice: Choice, notes: Notes) -> list[str]:
    return [
        cut(one_line(choice.group), GROUP_CELLS),
        one_line(choice.candidate),
        _cell(choice, "loudness_gain_lu", notes, ""),
        _cell(choice, "loudness_gain_dry_lu", notes, ""),
        _cell(choice, "thdn_programme_pct", notes, ""),
    ]


def _master_lines(chosen: ChosenSet, notes: Notes, width: int) -> Iterator[str]:
    yield ""
    yield from wrapped(f"Master chain: {one_line(chosen.master)}", width)
    for setting in chosen.master_settings:
        yield from wrapped(one_line(setting), width, "    ")
    if chosen.master_file is None:
        why = reason(chosen.undefined, "master_file")
        yield from wrapped(f"No master was measured: {one_line(why)}", width)
        return
    for label, field, unit in (
        ("Integrated loudness", "integrated_lufs", "LUFS"),
        ("Maximum 300 ms RMS, re 1.0", "rms_max_300ms_db", "dB"),
        ("True peak", "true_peak_dbtp", "dBTP"),
        ("PLR", "plr_db", "dB"),
    ):
        ceiling = f" (ceiling {plain(chosen.ceiling_dbtp)})" if unit == "dBTP" else ""
        yield f"{label:<48}{_cell(chosen.master_file, field, notes, ''):>8} {unit}{ceiling}"
    yield from wrapped(one_line(chosen.target_said), width)
