"""`chainweigh report` on runs that lack something or were edited: it says so and builds."""

import json
import shutil

import pytest


@pytest.fixture
def copied(ranked, tmp_path):
    """A copy of a finished run, and its results as JSON."""
    run = tmp_path / "run"
    shutil.copytree(ranked.folder / "run", run)
    return run, json.loads((run / "results.json").read_text())


def rebuild(ranked, run, data, code=0):
    (run / "results.json").write_text(json.dumps(data))
    done = ranked.run("report", run, "--format", "html", "--format", "md", code=code)
    return (run / "report.html").read_text(), done


def first_candidate(data):
    return next(c for c in data["comparisons"][0]["candidates"] if c["stages"])


def test_missing_audio_is_named_and_the_rest_can_still_be_heard(ranked, copied):
    run, data = copied
    missing = first_candidate(data)["audio"]
    (run / missing).unlink()
    shutil.rmtree(run / "masters")
    page, _ = rebuild(ranked, run, data)
    assert f'Audio is missing: <bdi class="path">{missing}</bdi>' in page
    assert 'id="comparison-1-listening"' in page
    shutil.rmtree(run / "audio")
    page, _ = rebuild(ranked, run, data)
    assert "-listening" not in page.partition("<script")[0].partition("</style>")[2]
    assert "Audio is missing" in page


def test_a_newer_minor_schema_is_read_and_said(ranked, copied):
    run, data = copied
    data["schema"] = "1.99"
    data["mood"] = {"colour": "green"}
    data["ladder"] = {**(data["ladder"] or {"comparison": "x", "candidate": "y", "rungs": []})}
    page, _ = rebuild(ranked, run, data)
    assert "was written by schema 1.99" in page


def test_a_candidate_without_measures_keeps_its_row_and_invents_nothing(ranked, copied):
    run, data = copied
    bare = first_candidate(data)
    name = bare["name"]
    for key in ("file", "tones", "programme", "spectrum", "image", "contrast", "soloed", "in_mix"):
        bare[key] = None
    bare["match_gain_db"] = None
    page, _ = rebuild(ranked, run, data)
    assert f"<bdi>{name}</bdi>" in page
    assert "not measured" in page
    assert "nan" not in page.partition("</style>")[2].partition("<dialog")[0].lower().split()


@pytest.mark.parametrize(
    "edit",
    [
        lambda c: c["tones"].update(thdn_pct=[[]], levels_dbfs=[]),
        lambda c: c["tones"].update(frequencies_hz=[1000.0]),
        lambda c: c["spectrum"].update(change_db=[]),
        lambda c: c.update(match_gain_db=400.0, audio="../../outside.wav"),
        lambda c: c["in_mix"].update(worst_moments_s=[-5.0, 1e9]) if c["in_mix"] else None,
    ],
    ids=["no levels", "one frequency", "no bands", "another file", "moments nowhere"],
)
def test_results_edited_by_hand_still_make_a_page(ranked, copied, edit):
    run, data = copied
    edit(first_candidate(data))
    page, _ = rebuild(ranked, run, data)
    assert page.rstrip().endswith("</html>")
    assert "outside.wav" not in page or "Audio is missing" in page
