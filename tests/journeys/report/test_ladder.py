"""The drive ladder in the page, marked by keyboard, and what rank takes from the saved mark."""

import json

import numpy as np
import pytest

from chainweigh.ranking.personal_budget import load_personal_budget
from chainweigh.ranking.settings import Budget


def test_a_mark_by_keyboard_is_saved_and_becomes_the_budget(page, keyboard, downloads, tmp_path):
    from selenium.webdriver import Keys

    keyboard.tab_to("#ladder-listening .play", most=150)
    keyboard.press(Keys.ENTER)
    keyboard.wait_for("document.querySelector('#ladder-listening .play').textContent === 'Pause'")
    keyboard.tab_to("#ladder-listening .takes input")
    keyboard.press(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    keyboard.tab_to("#ladder-listening .hear-it")
    keyboard.press(Keys.ENTER)
    keyboard.tab_to("#ladder-listening .save")
    keyboard.press(Keys.ENTER)
    saved = downloads("drive-ladder.json")
    assert saved["first_heard_drive_db"] == 1
    assert [rung["drive_db"] for rung in saved["rungs"]] == [-1, 0, 1, 2]
    budget = load_personal_budget(tmp_path / "drive-ladder.json", Budget())
    assert budget == Budget(disturbed_pct=pytest.approx(0.4), disturbed_onsets_pct=1.0)
    said = page.execute_script("return document.querySelector('#ladder .said').textContent")
    assert said.startswith("You first hear it at +1 dB. At 0 dB")


def test_no_measure_of_a_rung_is_shown_before_the_mark(page):
    shown = page.execute_script("return document.querySelector('#ladder').textContent")
    assert "disturbed" not in shown
    steps = page.execute_script(
        "return [...document.querySelectorAll('#ladder .steps label')]"
        ".map((label) => label.innerText.trim())"
    )
    assert steps == ["Reference", "\u22121 dB", "+0 dB", "+1 dB", "+2 dB"]


def test_rungs_are_as_loud_as_the_reference(scripts):
    """Power in the passage, K-weighting left out: all takes are the same clipped noise."""
    powers = scripts.run(
        ("deck", "signals"),
        """
        const entry = JSON.parse(document.getElementById("ladder-data").textContent);
        const { views } = await loadSignals(entry);
        return views.soloed.map((b) => b.getChannelData(0).reduce((sum, v) => sum + v * v, 0));
        """,
    )
    assert len(powers) == 5
    assert 10 * np.log10(powers) == pytest.approx(10 * np.log10(powers[0]), abs=0.5)


def write(folder, **changes):
    rungs = [
        {"drive_db": d, "disturbed_pct": 0.5 * d, "disturbed_onsets_pct": d} for d in (0, 1, 2)
    ]
    saved = {"kind": "drive ladder", "schema": "1.0", "rungs": rungs, "first_heard_drive_db": 2}
    path = folder / "ladder.json"
    path.write_text(json.dumps({**saved, **changes}))
    return path


def test_a_ladder_marked_by_hand_changes_the_limits_of_a_ranking(ranked):
    path = write(ranked.folder, first_heard_drive_db=1.0)
    arguments = ("--chains", "chains", "--budget-from", path, "--json", "--no-audio")
    done = ranked.run("rank", "tiny", "--out", "own", *arguments)
    budget = json.loads(done.stdout)["settings"]["budget"]
    assert budget == {**vars(Budget()), "disturbed_pct": 0.0, "disturbed_onsets_pct": 0.0}
    ranked.run("rank", "tiny", "--budget-from", "nowhere.json", code=1)


@pytest.mark.parametrize(
    ("mark", "limits"),
    [(2.0, (0.5, 1.0)), (1.0, (0.0, 0.0)), (0.0, (0.0, 0.0)), (None, (1.0, 2.0))],
)
def test_the_budget_is_the_last_rung_that_was_not_heard(tmp_path, mark, limits):
    budget = load_personal_budget(write(tmp_path, first_heard_drive_db=mark), Budget())
    assert (budget.disturbed_pct, budget.disturbed_onsets_pct) == limits


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"kind": "blind test"}, "drive ladder"),
        ({"rungs": []}, "drive ladder"),
        ({"first_heard_drive_db": 7.0}, "none of its rungs"),
        ({"rungs": [{"drive_db": "low"}]}, "not a ladder"),
    ],
)
def test_a_file_that_is_no_marked_ladder_is_refused(tmp_path, changes, said):
    from chainweigh.errors import RunFolderError

    with pytest.raises(RunFolderError, match=said):
        load_personal_budget(write(tmp_path, **changes), Budget())
