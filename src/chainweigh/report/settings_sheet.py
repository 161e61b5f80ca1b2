"""session/settings.md: the chosen set, to dial in by hand."""

from collections.abc import Iterator

from chainweigh.audio.slug import slug
from chainweigh.ranking.results import MASTER, Candidate, Results
from chainweigh.report.formats import plain, signed
from chainweigh.report.markdown import markdown_text
from chainweigh.report.settings_text import (
    find_candidate,
    key_text,
    plugin_text,
    rendered_text,
    written_text,
)

NOT_MEASURED = "It was not measured in this run; its settings are in recipe.toml."


def settings_sheet(results: Results) -> str:
    """Every stage of every chosen chain with absolute settings, as Markdown.

    Levels are those of this song at this level: a stem that was turned up or down since needs its
    levels moved by as many dB.
    """
    return "\n".join(_lines(results)).rstrip() + "\n"


def _lines(results: Results) -> Iterator[str]:
    yield f"# {markdown_text(results.source.title)}: settings to dial in"
    yield ""
    yield markdown_text(results.chosen.verdict)
    yield ""
    yield (
        "Levels hold for the stems at the level they had in this run, faders at unity and nothing "
        "in front of the chain. Where a stem has since moved by some dB, move its levels with it. "
        f"Sample rate {results.source.sample_rate_hz} Hz."
    )
    for choice in results.chosen.choices:
        candidate = find_candidate(results, choice.group, choice.candidate)
        yield from _chain_lines(choice.group, choice.candidate, choice.settings, candidate)
        yield f"Rendered, match gain included, in {slug(choice.group)}.wav beside this sheet."
    chosen = results.chosen
    master = find_candidate(results, MASTER, chosen.master)
    yield from _chain_lines("Master", chosen.master, chosen.master_settings, master)
    yield from _output_lines(results, master)
    yield f"True-peak ceiling of the master: {plain(chosen.ceiling_dbtp)} dBTP."


def _chain_lines(
    where: str, chain: str, settings: tuple[str, ...], candidate: Candidate | None
) -> Iterator[str]:
    yield ""
    yield f"## {markdown_text(where)}: {markdown_text(chain)}"
    yield ""
    if candidate is None:
        yield from (f"- {markdown_text(line)}" for line in settings)
        yield "" if settings else NOT_MEASURED
        return
    if candidate.about:
        yield markdown_text(candidate.about)
        yield ""
    yield from _stage_lines(candidate)
    yield from _match_lines(candidate)
    yield ""


def _stage_lines(candidate: Candidate) -> Iterator[str]:
    if candidate.failure is not None:
        yield f"It failed, so what stands here is dry: {markdown_text(candidate.failure)}"
    elif not candidate.stages:
        yield "Nothing to set: leave it as it is."
    for index, stage in enumerate(candidate.stages, start=1):
        colour = " (wanted colour)" if stage.intended else ""
        yield f"{index}. **{markdown_text(stage.effect)}**{colour}"
        if stage.plugin is not None:
            yield f"   {markdown_text(plugin_text(stage))}"
        for setting in stage.settings:
            value = markdown_text(rendered_text(stage, setting))
            origin = ""
            if setting.relative:
                origin = f" (the chain says {markdown_text(written_text(setting))})"
            elif setting.written is None:
                origin = " (default)"
            yield f"   - {markdown_text(key_text(setting))}: {value}{origin}"


def _match_lines(candidate: Candidate) -> Iterator[str]:
    gain_db = candidate.match_gain_db
    if gain_db is None or not candidate.stages:
        return
    yield ""
    if abs(gain_db) < 0.005:
        yield "As loud as without the chain; nothing to make up."
        return
    turn = "up" if gain_db > 0 else "down"
    yield (
        f"Match gain {signed(gain_db)} dB: turn the chain's output {turn} by that much and it is "
        "as loud as without the chain; what follows was found at that loudness."
    )


def _output_lines(results: Results, master: Candidate | None) -> Iterator[str]:
    """The one gain from the master chain's output to the file as it is delivered."""
    gain_db = results.chosen.delivery_gain_db
    if gain_db is None or master is None or master.match_gain_db is None:
        return
    yield (
        f"Output gain {signed(master.match_gain_db + gain_db)} dB, match gain included: after the "
        "master chain it makes the file in masters/."
    )
    yield ""
