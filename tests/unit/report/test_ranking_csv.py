"""ranking.csv: RFC 4180, read back with the standard library's csv module."""

import csv
import io
from dataclasses import fields, replace

import pytest

from chainweigh.ranking.results import (
    FileMeasures,
    HeardMeasures,
    ProgrammeMeasures,
    Standing,
    ToneMeasures,
)
from chainweigh.report.ranking_csv import COLUMNS, ranking_csv, write_ranking_csv


def rows(results):
    return list(csv.DictReader(io.StringIO(ranking_csv(results), newline="")))


def renamed(results, name):
    first = results.comparisons[0]
    candidates = (replace(first.candidates[0], name=name), *first.candidates[1:])
    return replace(results, comparisons=(replace(first, candidates=candidates),))


def test_one_row_a_candidate_with_a_unique_key(results):
    keys = [(row["comparison"], row["candidate"]) for row in rows(results)]
    assert keys == [(c.name, k.name) for c in results.comparisons for k in c.candidates]
    assert len(set(keys)) == len(keys)


def test_every_number_is_at_full_precision(results):
    candidates = [k for c in results.comparisons for k in c.candidates]
    checked = 0
    for row, candidate in zip(rows(results), candidates, strict=True):
        k = candidate
        for record in (k.standing, k.tones, k.programme, k.in_mix, k.file):
            names = set(COLUMNS) & set(vars(record) if record else ())
            for column in names - ({"tone_gain_lu"} if record is k.programme else set()):
                value = getattr(record, column)
                if isinstance(value, (int, float)) and not isinstance(value, bool):
                    assert float(row[column]) == value
                    checked += 1
    assert checked > 200


def test_every_measure_has_a_column():
    records = (Standing, ToneMeasures, ProgrammeMeasures, HeardMeasures, FileMeasures)
    names = {field.name for record in records for field in fields(record)}
    by_grid = {"frequencies_hz", "levels_dbfs", "thdn_pct"}
    assert names - by_grid <= set(COLUMNS)


def test_the_two_tone_gains_and_the_worst_moments_have_their_own_cells(results):
    row = rows(results)[0]
    assert (row["tone_gain_lu"], row["tone_gain_soloed_lu"]) == ("0.03", "0.07")
    assert row["worst_moments_s"] == "13.25; 40.5; 3.75"


def test_a_candidate_not_judged_in_the_mix_says_why(results, make):
    still = make.candidate("Still", 1, 0.0, 0.0, stages=(), in_mix=None)
    run = replace(results, comparisons=(make.comparison("drums", [still]),))
    (row,) = rows(run)
    assert row["undefined"].endswith("disturbed_onsets_pct: not judged: changes nothing")
    assert row["disturbed_pct"] == ""


def test_what_was_heard_soloed_and_over_the_whole_song_has_its_own_columns(results):
    first, *_ = rows(results)
    found = [first[f"{place}disturbed_pct"] for place in ("", "whole_song_", "soloed_")]
    assert found == ["0.13", "0.21", "4.25"]


def test_changes_too_large_to_pass_over_are_told(results, make):
    bass = make.spectrum_change(change_db=(-1.4, 0.0, 0.6), flagged_hz=(50.119,))
    wide = make.image_change(fold_down_loss_change_lu=1.34, fold_down_flagged=True)
    told = make.candidate("Told", 1, 1.0, 1.0, spectrum=bass, image=wide)
    run = replace(results, comparisons=(make.comparison("drums", [told]),))
    assert rows(run)[0]["flags"] == (
        "Changes the low end: -1.4 dB at 50 Hz. "
        "Loses 1.3 LU more than the reference when folded down to mono."
    )
    assert rows(results)[0]["flags"] == ""


def test_none_is_an_empty_cell_and_its_reason_is_in_the_row(results):
    row = rows(results)[0]
    assert row["thdn_with_intended_pct"] == ""
    assert "thdn_with_intended_pct: no stage of the chain is marked intended" in row["undefined"]


def test_a_failed_candidate_is_a_row_with_its_reason_and_no_numbers(results):
    row = next(row for row in rows(results) if row["candidate"] == "Broken fold")
    assert row["failure"] == "stage 2 (clip): output is not finite at 3.21 s"
    assert row["loudness_gain_lu"] == row["sdr_db"] == row["integrated_lufs"] == ""


def test_the_chosen_chains_are_marked(results):
    chosen = [row["candidate"] for row in rows(results) if row["chosen"] == "true"]
    assert chosen == ["Firm clip", "Rounded tops", "Clip, then limit"]


def test_lines_end_with_crlf_and_cells_with_commas_are_quoted(results):
    text = ranking_csv(results)
    assert text.count("\r\n") == 1 + sum(len(c.candidates) for c in results.comparisons)
    assert '"Clip, then limit"' in text


@pytest.mark.parametrize(
    "name",
    ['say "hi"', "a,b", "two\nlines", "two\r\nlines", "🔥", "מגביל", "x" * 5000, "", "a;b\tc"],
)
def test_names_come_back_verbatim(results, name):
    assert rows(renamed(results, name))[0]["candidate"] == name


@pytest.mark.parametrize(
    "name",
    ["=1+1", "+1", "-1", "@sum", "\t=1", "\r=1", " =1", "＝1", "'tis", '=HYPERLINK("x")'],
)
def test_names_a_spreadsheet_would_run_get_one_apostrophe_in_front(results, name):
    """The starts a spreadsheet runs: OWASP's page on CSV injection."""
    cell = rows(renamed(results, name))[0]["candidate"]
    assert cell == "'" + name


def test_negative_numbers_get_no_apostrophe(results):
    row = next(row for row in rows(results) if row["candidate"] == "Slow compressor")
    assert row["loudness_gain_lu"] == "-0.21"


def test_the_file_is_utf_8_without_a_mark_and_the_same_each_time(results, tmp_path):
    run = renamed(results, "鼓 🔥")
    write_ranking_csv(run, tmp_path / "one.csv")
    write_ranking_csv(run, tmp_path / "two.csv")
    data = (tmp_path / "one.csv").read_bytes()
    assert data == (tmp_path / "two.csv").read_bytes()
    assert data.startswith(b"comparison,candidate,")
    assert "鼓 🔥" in data.decode("utf-8")
