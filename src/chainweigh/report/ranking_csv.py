"""ranking.csv: one row a candidate, keyed by comparison and candidate.

UTF-8 without a byte order mark, written as csv_text says. Columns carry the names of the fields of
results.json, which holds names verbatim; `tone_gain_soloed_lu` is the programme's tone gain, and
what was heard soloed or over the whole song has that in front of the field's name.
"""

from collections.abc import Iterator
from pathlib import Path

from chainweigh.audio.atomic import write_text
from chainweigh.ranking.results import Candidate, Comparison, Results
from chainweigh.report.csv_text import Cell, csv_text
from chainweigh.report.flags import flags
from chainweigh.report.front_text import front_texts
from chainweigh.report.in_mix import JUDGED, not_judged
from chainweigh.report.settings_text import candidate_settings, plugin_verdicts

FILE_NAME = "ranking.csv"

STANDING = (
    "rank",
    "loudness_gain_lu",
    "loudness_gain_dry_lu",
    "loudness_gain_soloed_lu",
    "tone_gain_lu",
    "ranked_by",
    "ranked_distortion_pct",
    "added_thdn_pct",
    "score_lu",
    "within_budget",
    "on_pareto_front",
    "tied_with_winner",
)
TONES = (
    "thdn_peak_pct",
    "thdn_steady_pct",
    "thdn_ridden_pct",
    "thdn_programme_pct",
    "thdn_with_intended_pct",
)
PROGRAMME = (
    "sdr_db",
    "residual_pct",
    "low_band_residual_db",
    "gain_movement_db",
    "gain_low_s",
    "punch_change_db",
    "punch_worst_s",
    "punch_low_change_db",
    "punch_low_worst_s",
    "punch_loss_db",
)
SPECTRUM = ("largest_change_db", "largest_change_hz")
IMAGE = ("correlation_change", "side_to_middle_change_db", "fold_down_loss_change_lu")
CONTRAST = ("contrast_change_lu", "quiet_change_lu")
SOLOED, WHOLE_SONG = "soloed_", "whole_song_"
OWN = ("match_gain_db", "loudness_difference_lu", "shift_frames", "final_limiter_work_db_s")
FILE = (
    "integrated_lufs",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "lra_lu",
    "true_peak_dbtp",
    "true_peak_annex2_dbtp",
    "sample_peak_dbfs",
    "rms_db",
    "rms_aes17_dbfs",
    "rms_max_300ms_db",
    "crest_db",
    "plr_db",
    "psr_min_db",
)
COLUMNS = (
    ("comparison", "candidate", "scope", "chosen")
    + (STANDING + TONES + PROGRAMME + ("tone_gain_soloed_lu",))
    + (JUDGED + ("worst_moments_s",))
    + tuple(place + field for place in (WHOLE_SONG, SOLOED) for field in JUDGED)
    + (SPECTRUM + IMAGE + CONTRAST + OWN + FILE + ("dc_offset",))
    + ("why", "flags", "plugin_verdicts", "breaches", "failure", "undefined", "settings")
    + ("searches", "pareto_front", "audio")
)


def write_ranking_csv(results: Results, path: Path) -> None:
    """Write the ranking of every comparison as CSV.

    Raises
    ------
    RunFolderError
        The file cannot be written.
    """
    write_text(path, ranking_csv(results))


def ranking_csv(results: Results) -> str:
    """The text of ranking.csv."""
    rows = (
        dict(_row(results, comparison, candidate))
        for comparison in results.comparisons
        for candidate in comparison.candidates
    )
    return csv_text(COLUMNS, ([row.get(column) for column in COLUMNS] for row in rows))


def _row(
    results: Results, comparison: Comparison, candidate: Candidate
) -> Iterator[tuple[str, Cell]]:
    yield "comparison", comparison.name
    yield "candidate", candidate.name
    yield "scope", comparison.scope
    yield "chosen", is_chosen(results, comparison, candidate)
    for record, fields in _records(candidate):
        yield from ((field, getattr(record, field)) for field in fields if record is not None)
    if candidate.programme is not None:
        yield "tone_gain_soloed_lu", candidate.programme.tone_gain_lu
    for place, heard in ((WHOLE_SONG, candidate.in_mix_whole_song), (SOLOED, candidate.soloed)):
        yield from ((place + name, getattr(heard, name)) for name in JUDGED if heard is not None)
    if candidate.in_mix is not None:
        yield "worst_moments_s", _listed(candidate.in_mix.worst_moments_s)
    if candidate.file is not None:
        yield "dc_offset", _listed(candidate.file.dc_offset)
    yield "why", candidate.standing.why
    yield "flags", " ".join(flags(candidate))
    yield "plugin_verdicts", "; ".join(plugin_verdicts(candidate))
    yield "breaches", "; ".join(candidate.standing.breaches)
    yield "failure", candidate.failure
    yield "undefined", "; ".join(_reasons(candidate))
    yield "settings", candidate_settings(candidate)
    yield "searches", " ".join(search.said for search in candidate.searches)
    yield "pareto_front", "; ".join(front_texts(candidate.front))
    yield "audio", candidate.audio


def _records(candidate: Candidate) -> tuple[tuple[object, tuple[str, ...]], ...]:
    return (
        (candidate.standing, STANDING),
        (candidate.tones, TONES),
        (candidate.programme, PROGRAMME),
        (candidate.in_mix, JUDGED),
        (candidate.spectrum, SPECTRUM),
        (candidate.image, IMAGE),
        (candidate.contrast, CONTRAST),
        (candidate, OWN),
        (candidate.file, FILE),
    )


def _listed(values: tuple[float | None, ...]) -> str:
    return "; ".join("" if value is None else repr(value) for value in values)


def _reasons(candidate: Candidate) -> Iterator[str]:
    for record, _ in _records(candidate):
        for field, why in sorted(getattr(record, "undefined", {}).items()):
            yield f"{field}: {why}"
    why_not = not_judged(candidate)
    if why_not is not None and candidate.failure is None:
        yield f"{', '.join(JUDGED)}: {why_not}"


def is_chosen(results: Results, comparison: Comparison, candidate: Candidate) -> bool:
    """Whether the chosen set holds this candidate."""
    if comparison.scope == "master":
        return results.chosen.master == candidate.name
    return any(
        choice.group == comparison.name and choice.candidate == candidate.name
        for choice in results.chosen.choices
    )
