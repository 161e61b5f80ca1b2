"""results.json: RFC 8259 JSON, JSON Schema draft 2020-12 (checked by jsonschema), our versions."""

import json
from dataclasses import replace

import jsonschema
import pytest

from chainweigh.errors import RunFolderError
from chainweigh.report.results_json import (
    load_results,
    results_schema,
    results_text,
    write_results,
)


def strict(text):
    def refuse(name):
        raise AssertionError(f"{name} is not JSON (RFC 8259 section 6)")

    return json.loads(text, parse_constant=refuse)


def folder_with(tmp_path, text):
    data = text if isinstance(text, bytes) else text.encode()
    (tmp_path / "results.json").write_bytes(data)
    return tmp_path


def with_schema(results, version):
    data = strict(results_text(results))
    data["schema"] = version
    return data


def test_what_is_written_is_read_back_equal(results, tmp_path):
    write_results(results, tmp_path / "results.json")
    assert load_results(tmp_path) == results


def test_apply_runs_come_back_with_expectations_and_warnings(applied, tmp_path):
    write_results(applied, tmp_path / "results.json")
    assert load_results(tmp_path) == applied


def test_text_is_strict_json_indented_by_two_with_a_newline_at_the_end(results):
    text = results_text(results)
    assert strict(text)["chosen"]["mix_headroom_db"] == 1.93
    assert text.startswith('{\n  "schema": "1.4",\n  "program"')
    assert text.endswith("}\n")


def test_same_results_give_the_same_bytes(results, tmp_path):
    write_results(results, tmp_path / "one.json")
    write_results(replace(results), tmp_path / "two.json")
    assert (tmp_path / "one.json").read_bytes() == (tmp_path / "two.json").read_bytes()


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), float("-inf")])
def test_a_number_that_is_not_finite_is_refused_by_its_path(results, tmp_path, bad):
    first = results.comparisons[0]
    standing = replace(first.candidates[1].standing, score_lu=bad)
    candidates = list(first.candidates)
    candidates[1] = replace(candidates[1], standing=standing)
    broken = replace(results, comparisons=(replace(first, candidates=tuple(candidates)),))
    path = tmp_path / "results.json"
    with pytest.raises(RunFolderError, match=r"comparisons\[0\]\.candidates\[1\]\.standing\.score"):
        write_results(broken, path)
    assert list(tmp_path.iterdir()) == []


def test_a_failed_write_leaves_the_older_file_and_no_scraps(results, tmp_path):
    (tmp_path / "results.json").mkdir()
    with pytest.raises(RunFolderError, match="cannot be written"):
        write_results(results, tmp_path / "results.json")
    assert [p.name for p in tmp_path.iterdir()] == ["results.json"]


def test_writing_into_a_missing_folder_says_so(results, tmp_path):
    with pytest.raises(
        RunFolderError, match=r"gone.results\.json: cannot be written: folder .* does not exist"
    ):
        write_results(results, tmp_path / "gone" / "results.json")


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(RunFolderError, match="nowhere: no such folder"):
        load_results(tmp_path / "nowhere")


def test_a_folder_without_results_is_not_a_run(tmp_path):
    with pytest.raises(RunFolderError, match=r"not a run's folder: no results\.json"):
        load_results(tmp_path)


NOT_JSON = {
    "nothing": "",
    "cut short": "{",
    "prose": "not json",
    "more after the end": '{"schema": "1.0"} x',
    "not UTF-8": b'{"schema": "\xff"}',
    "NaN": '{"schema": NaN}',
    "nested without end": "[" * 100_000,
}


@pytest.mark.parametrize("text", NOT_JSON.values(), ids=NOT_JSON)
def test_text_that_is_not_json_is_refused(tmp_path, text):
    with pytest.raises(RunFolderError, match=r"results\.json: (not JSON|does not follow)"):
        load_results(folder_with(tmp_path, text))


def test_a_value_that_does_not_fit_is_named_by_its_path(results, tmp_path):
    data = with_schema(results, "1.0")
    data["comparisons"][0]["candidates"][2]["standing"]["rank"] = "third"
    folder = folder_with(tmp_path, json.dumps(data))
    with pytest.raises(RunFolderError, match=r"\$\.comparisons.*candidates.*standing\.rank"):
        load_results(folder)


def test_a_missing_field_is_named(results, tmp_path):
    data = with_schema(results, "1.0")
    del data["chosen"]
    with pytest.raises(RunFolderError, match="chosen"):
        load_results(folder_with(tmp_path, json.dumps(data)))


def test_another_major_version_is_refused_even_when_nothing_else_fits(tmp_path):
    folder = folder_with(tmp_path, '{"schema": "2.0"}')
    with pytest.raises(RunFolderError, match=r"written by schema 2\.0; this version reads 1\.x"):
        load_results(folder)


@pytest.mark.parametrize("version", ["", "1", "1.x", "one", "1.0.0", "-1.0", "²·0", "1.²"])
def test_a_schema_that_is_no_version_is_refused(results, tmp_path, version):
    folder = folder_with(tmp_path, json.dumps(with_schema(results, version)))
    with pytest.raises(RunFolderError, match="is not a version"):
        load_results(folder)


def test_a_newer_minor_version_is_read_without_what_is_new_and_said_once(results, tmp_path):
    data = with_schema(results, "1.7")
    data["mood"] = "bright"
    data["chosen"]["mood"] = {"more": 1}
    loaded = load_results(folder_with(tmp_path, json.dumps(data)))
    assert replace(loaded, schema="1.4", notes=results.notes) == results
    assert loaded.notes[-1].startswith("results.json was written by schema 1.7")
    write_results(loaded, tmp_path / "results.json")
    assert load_results(tmp_path) == loaded


def test_the_published_schema_is_valid_and_accepts_what_is_written(results, applied):
    schema = results_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    for run in (results, applied):
        jsonschema.Draft202012Validator(schema).validate(strict(results_text(run)))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: data.pop("source"),
        lambda data: data.update(schema="2.0"),
        lambda data: data["chosen"].update(rounds="two"),
        lambda data: data["comparisons"][0].pop("winner"),
        lambda data: data["comparisons"][0]["candidates"][0]["standing"].update(score_lu="loud"),
    ],
)
def test_the_published_schema_refuses_what_is_not_a_run(results, spoil):
    data = strict(results_text(results))
    spoil(data)
    assert not jsonschema.Draft202012Validator(results_schema()).is_valid(data)
