"""The ranking in a terminal."""

import re
import unicodedata
from dataclasses import replace

import pytest

from chainweigh.report.terminal import ranking_table
from chainweigh.report.text_table import cut, display_width


def renamed(results, name, **standing):
    first = results.comparisons[0]
    candidate = replace(
        first.candidates[0], name=name, standing=replace(first.candidates[0].standing, **standing)
    )
    candidates = (candidate, *first.candidates[1:])
    return replace(results, comparisons=(replace(first, candidates=candidates, winner=name),))


def row(text, name):
    return next(
        line for line in text.splitlines() if re.match(rf" *\d+[◆ ]  {re.escape(name)}", line)
    )


def test_a_row_holds_rank_name_gain_soloed_distortion_score_and_disturbed(results):
    cells = row(ranking_table(results), "Firm clip").split()
    assert cells == [*("1◆", "Firm", "clip", "+1.42", "+2.47", "2.31", "+1.19", "0.21", "within")]


def test_the_reason_stands_below_its_row(results):
    lines = ranking_table(results).splitlines()
    at = lines.index(row("\n".join(lines), "Firm clip"))
    assert lines[at + 1].strip() == "Best score within budget."


def test_numbers_end_in_one_column(results):
    text = ranking_table(results)
    ends = {row(text, n).index(g) + len(g) for n, g in [("Firm clip", "+1.42"), ("bypass", "0.00")]}
    assert len(ends) == 1


@pytest.mark.parametrize("name", ["🔥 hot 鼓", "e\u0301cho", "Clip"])
def test_wide_and_combining_characters_keep_the_columns_aligned(results, name):
    lines = ranking_table(renamed(results, name)).splitlines()
    at = next(i for i, line in enumerate(lines) if name in line and "+1.42" in line)
    other = next(line for line in lines if "Soft clip" in line)
    ours = display_width(lines[at][: lines[at].index("+1.42")])
    assert ours == display_width(other[: other.index("+1.13")])


@pytest.mark.parametrize("width", [80, 100, 140])
def test_no_line_is_wider_than_asked(results, width):
    long = renamed(results, "An unending name " * 20, why="because " * 60)
    choice = replace(results.chosen.choices[0], group="group " * 30, candidate="鼓" * 90)
    long = replace(long, chosen=replace(long.chosen, choices=(choice,)))
    for text in (ranking_table(results, width=width), ranking_table(long, width=width)):
        widest = max(display_width(line) for line in text.splitlines())
        assert widest <= width


def test_a_master_s_final_limiter_says_what_it_is_fed(results):
    *groups, master = results.comparisons
    work = replace(master.candidates[0], final_limiter_work_db_s=2.345)
    worked = replace(master, candidates=(work, *master.candidates[1:]))
    text = ranking_table(replace(results, comparisons=(*groups, worked)))
    assert text.count("dB s above its ceiling") == 1 and "is fed 2.35 dB s above" in text


def test_an_undefined_number_leads_to_its_reason(results):
    run = renamed(
        results, "Mute", loudness_gain_lu=None, undefined={"loudness_gain_lu": "the mix is silent"}
    )
    text = ranking_table(run)
    assert "n/a [1]" in row(text, "Mute")
    assert "[1] the mix is silent" in text.splitlines()


def test_a_candidate_without_measures_is_a_row_with_reasons(results, make):
    bare = make.candidate(
        "Bare",
        1,
        0.5,
        1.0,
        tones=None,
        programme=None,
        in_mix=None,
        in_mix_whole_song=None,
        file=None,
    )
    text = ranking_table(replace(results, comparisons=(make.comparison("drums", [bare]),)))
    assert "n/a [1]" in row(text, "Bare")
    assert "[1] not judged\n" in text


def test_distortion_ranked_by_the_residual_is_marked_and_explained(results):
    text = ranking_table(renamed(results, "Hidden", ranked_by="residual"))
    assert "2.31*" in row(text, "Hidden")
    assert text.count("*") == 2
    assert "* the tones do not show it: the residual" in text
    assert "*" not in ranking_table(results)


def test_a_failed_candidate_is_named_with_its_reason(results):
    assert (
        "failed  Broken fold: stage 2 (clip): output is not finite at 3.21 s"
        in ranking_table(results).splitlines()
    )


def test_the_chosen_set_shows_headroom_and_what_the_chains_give_alone(results):
    text = ranking_table(results)
    assert re.search(r"all groups together +\+1\.93 dB", text)
    assert re.search(r"one group at a time, added up +\+1\.11 LU", text)
    assert re.search(r"drums +Firm clip +\+1\.42 +\+0\.99 +2\.31", text)
    assert re.search(r"True peak +-1\.00 dBTP \(ceiling -1\.00\)", text)


def test_no_character_that_steers_a_terminal_gets_through(results):
    run = renamed(results, "\x1b[31mred\x07\r\x9b2J\u202eend", why="\x1b]0;title\x07")
    run = replace(run, warnings=("\x1b[2J",), notes=("\x00",))
    for character in ranking_table(run):
        assert character == "\n" or unicodedata.category(character) not in ("Cc", "Cs")


def test_warnings_are_shown(applied):
    assert "- drums: distortion is more than" in ranking_table(applied)


def test_cutting_counts_cells_not_letters():
    assert cut("鼓鼓鼓鼓", 5) == "鼓…鼓"
    assert cut("abcde", 5) == "abcde"
    assert cut("abcdef", 5) == "ab…ef"
    assert cut("xxxxe\u0301", 4) == "xx…e\u0301"
    assert cut("xxxx鼓\u0301", 3) == "xx…"


def test_names_of_a_series_that_differ_at_the_end_stay_apart():
    names = [f"Plain final limiter, ceiling peak - {db} dB" for db in (1, 2, 3)]
    assert len({cut(name, 28) for name in names}) == 3
    assert all(display_width(cut(name, 28)) <= 28 for name in names)
