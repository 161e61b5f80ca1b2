"""report.md: verdict, set and rankings as Markdown, to paste where people talk."""

from collections.abc import Iterator, Sequence

from chainweigh.ranking.results import Candidate, Comparison, Results
from chainweigh.report.formats import number, one_line, unit
from chainweigh.report.in_mix import deciding
from chainweigh.report.price import price_sentence

FILE_NAME = "report.md"
COLUMNS = (
    ("Gain in mix", "loudness_gain_lu"),
    ("Distortion", "ranked_distortion_pct"),
    ("Score", "score_lu"),
)
_ESCAPED = str.maketrans({c: f"\\{c}" for c in "\\`*_{}[]<>#|~&!"})


def markdown_text(text: str) -> str:
    """Text on one line in which nothing is markup."""
    return one_line(text).translate(_ESCAPED)


def markdown_report(results: Results) -> str:
    """The run as Markdown; a value that is not defined reads n/a."""
    return "\n".join(_lines(results)).rstrip() + "\n"


def _lines(results: Results) -> Iterator[str]:
    yield f"# {markdown_text(results.source.title)}: chains weighed"
    yield f"\n{markdown_text(results.chosen.verdict)}\n"
    for warning in results.warnings:
        yield f"**Warning:** {markdown_text(warning)}\n"
    yield "## The chosen set\n"
    yield from _set_lines(results)
    if results.revision is not None:
        yield "\n## Since the earlier run\n"
        yield from (f"- {markdown_text(text)}" for text in results.revision.said)
    for comparison in results.comparisons:
        yield f"\n## {markdown_text(comparison.name)}\n"
        yield from _ranking_lines(comparison)
        yield f"\n{markdown_text(price_sentence(comparison, results.settings))}"
    budget = results.settings.budget
    yield (
        f"\nMeasured by {markdown_text(results.program)} {markdown_text(results.version)}. Budget: "
        f"{budget.thdn_programme_pct:g} % distortion, {budget.disturbed_pct:g} % of frames and "
        f"{budget.disturbed_onsets_pct:g} % of onsets disturbed in the mix, "
        f"{budget.punch_loss_db:g} dB of punch, {budget.gain_movement_db:g} dB of gain movement."
    )


def _set_lines(results: Results) -> Iterator[str]:
    chosen = results.chosen
    yield _row(["Where", "Chain", "Gain in the set, LU", "Distortion, %"])
    yield _row(["---", "---", "---:", "---:"])
    for choice in chosen.choices:
        cells = [_cell(choice, f) for f in ("loudness_gain_lu", "thdn_programme_pct")]
        yield _row([markdown_text(choice.group), markdown_text(choice.candidate), *cells])
    gain = _cell(chosen, "master_gain_lu")
    yield _row(["Master", markdown_text(chosen.master), gain, "–"])


def _ranking_lines(comparison: Comparison) -> Iterator[str]:
    heads = [f"{label}, {unit(field)}" for label, field in COLUMNS]
    yield _row(["Rank", "Candidate", *heads, "Disturbed in the mix, %", "Budget", "Why"])
    yield _row(["---:", "---", *["---:"] * (len(heads) + 1), "---", "---"])
    for candidate in comparison.candidates:
        yield _row(_candidate_cells(candidate))


def _candidate_cells(candidate: Candidate) -> list[str]:
    standing, name = candidate.standing, markdown_text(candidate.name)
    if candidate.failure is not None:
        return ["–", name, *["–"] * 5, f"failed: {markdown_text(candidate.failure)}"]
    return [
        str(standing.rank),
        name,
        *(_cell(standing, field) for _, field in COLUMNS),
        _cell(deciding(candidate), "disturbed_pct"),
        "within" if standing.within_budget else "over",
        markdown_text(standing.why),
    ]


def _cell(record: object, field: str) -> str:
    value = getattr(record, field, None)
    return "n/a" if value is None else number(field, value).replace("<", "\\<")


def _row(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cells)} |"
