"""The files of each format, read back by parsers of the standard library and by jsonschema."""

import json
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import jsonschema
import pytest

from chainweigh.report.markdown import markdown_report
from chainweigh.report.outputs import FORMATS, write_formats
from chainweigh.report.results_json import results_text

SVG = "{http://www.w3.org/2000/svg}"


def test_every_format_writes_what_it_says(results, tmp_path):
    written = write_formats(results, tmp_path, FORMATS)
    names = ["report.html", "ranking.csv", "report.md", "plots", "results.schema.json"]
    assert [path.name for path in written] == names
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(names)


def test_only_what_is_asked_for_is_written(results, tmp_path):
    assert [p.name for p in write_formats(results, tmp_path, ("md",))] == ["report.md"]
    assert [p.name for p in tmp_path.iterdir()] == ["report.md"]


def test_the_schema_file_accepts_the_results_file(results, tmp_path):
    [path] = write_formats(results, tmp_path, ("schema",))
    schema = json.loads(path.read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(json.loads(results_text(results)))


def test_every_plot_is_well_formed_and_styled_without_the_page(results, tmp_path):
    write_formats(results, tmp_path, ("svg",))
    files = sorted((tmp_path / "plots").iterdir())
    names = {file.stem for file in files}
    assert "drums-gain-against-distortion" in names
    for kind in ("thdn-over-level", "thdn-over-frequency", "spectrum-change"):
        assert f"drums-01-firm-clip-{kind}" in names
    for file in files:
        root = ElementTree.parse(file).getroot()
        assert root.tag == f"{SVG}svg"
        assert "--accent:" in root.find(f"{SVG}style").text
        assert root.find(f".//{SVG}path") is not None
    assert not any("url(" in f.read_text() or "href" in f.read_text() for f in files)


def test_markdown_tables_have_one_width_and_a_row_a_candidate(results):
    text = markdown_report(results)
    tables = re.findall(r"(?:^\|.*\|$\n?)+", text, re.MULTILINE)
    assert len(tables) == 4
    for table in tables:
        rows = table.strip().splitlines()
        assert len({len(re.findall(r"(?<!\\)\|", row)) for row in rows}) == 1
    assert len(tables[1].strip().splitlines()) == 2 + len(results.comparisons[0].candidates)
    assert "failed: stage 2 (clip): output is not finite at 3.21 s" in text


def test_markup_in_names_stays_text_in_markdown(results):
    first = results.comparisons[0]
    nasty = "a|b <script> [x](y) *z* `c`\nnew # line"
    candidates = (replace(first.candidates[0], name=nasty), *first.candidates[1:])
    run = replace(results, comparisons=(replace(first, candidates=candidates),))
    row = next(line for line in markdown_report(run).splitlines() if "new" in line)
    assert r"a\|b \<script\> \[x\](y) \*z\* \`c\` new \# line" in row


@pytest.mark.parametrize("field", ["loudness_gain_lu", "score_lu"])
def test_what_is_not_defined_reads_so_in_markdown(results, make, field):
    mute = make.candidate("Mute", 1, 1.0, 1.0, **{field: None})
    run = replace(results, comparisons=(make.comparison("drums", [mute]),))
    row = next(line for line in markdown_report(run).splitlines() if "| Mute |" in line)
    assert row.count("n/a") == 1
