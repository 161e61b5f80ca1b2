"""Searched drives, a target, the recipe of what was found, and where it is taken."""

import json
import shutil
import tomllib

import numpy as np
import pyebur128
import pytest
import soundfile

SEARCHED = """
name = "Found"
scope = "bus"
[[stage]]
effect = "clip"
ceiling = { search = ["peak", "peak - 5 dB"] }
oversample = 8
"""
FINAL = """
name = "Final"
scope = "master"
[[stage]]
effect = "limit"
ceiling = "hits - 1 dB"
"""
TARGET_LUFS = -14.4


def results_of(folder):
    return json.loads((folder / "results.json").read_text(encoding="utf-8"))


def comparison(results, name):
    return next(c for c in results["comparisons"] if c["name"] == name)


def winner(results, name):
    found = comparison(results, name)
    return next(c for c in found["candidates"] if c["name"] == found["winner"])


def write_song(folder, groups, change):
    """A song of the tiny song's stems, each changed, under other names of groups."""
    for group, name in groups.items():
        samples, rate_hz = soundfile.read(folder.parent / "tiny" / group / f"{group}.wav")
        (folder / name).mkdir(parents=True)
        changed = change(group, samples)
        soundfile.write(folder / name / f"{name}.wav", changed, rate_hz, subtype="FLOAT")


@pytest.fixture(scope="module")
def work(make_workplace):
    """The tiny song ranked with a searched clip and its master driven to a target."""
    place = make_workplace()
    chains = place.folder / "chains"
    chains.mkdir()
    (chains / "found.toml").write_text(SEARCHED, encoding="utf-8")
    (chains / "final.toml").write_text(FINAL, encoding="utf-8")
    target = f"{TARGET_LUFS}LUFS"
    place.run("rank", "tiny", "--chains", "chains", "--out", "run", "--target", target)
    return place


def test_what_was_found_keeps_the_budget_and_the_next_step_does_not(work):
    results = results_of(work.folder / "run")
    won = winner(results, "hits")
    (found,) = won["searches"]
    assert won["name"] == f"Found, ceiling {found['found']}"
    assert won["standing"]["within_budget"] and won["in_mix_whole_song"] is not None
    assert 0 < found["found_db"] - found["crossed_at_db"] <= 0.1
    limit = results["settings"]["budget"][found["stopped_by"]]
    at = {point["setting_db"]: point for point in found["curve"]}
    assert at[found["found_db"]][found["stopped_by"]] <= limit
    assert at[found["crossed_at_db"]][found["stopped_by"]] > limit
    assert len(found["curve"]) == found["n_evaluated"] >= 5
    assert results["chosen"]["steps"][0]["group"] == "hits"


def test_the_master_stands_at_its_target_as_libebur128_reads_it(work):
    samples, rate_hz = soundfile.read(work.folder / "run" / "masters" / "tiny.wav")
    mode = pyebur128.MeasurementMode
    meter = pyebur128.R128State(2, rate_hz, mode.MODE_I)
    meter.add_frames(np.ascontiguousarray(samples, dtype=np.float64).ravel(), len(samples))
    assert pyebur128.get_loudness_global(meter) == pytest.approx(TARGET_LUFS, abs=0.02)
    chosen = results_of(work.folder / "run")["chosen"]
    assert chosen["target_said"].startswith("The target is met")
    assert -1.1 <= chosen["master_file"]["true_peak_dbtp"] <= -1.0 + 1e-3


@pytest.fixture(scope="module")
def revised(work):
    """The mix with its hits 6 dB up, held against the first run; its target is out of reach."""
    gains = {"hits": 2.0, "low": 1.0}
    groups = {"hits": "hits", "low": "low"}
    write_song(work.folder / "revised", groups, lambda name, samples: gains[name] * samples)
    limits = ("--target-rms", "-3dB", "--budget-punch", "0.5")
    out = ("--out", "new", "--since", "run", "--no-audio")
    done = work.run("rank", "revised", "--chains", "chains", *limits, *out)
    return results_of(work.folder / "new"), " ".join(done.stdout.split())


def test_a_revised_mix_says_what_moved_whose_doing_it_is_and_who_still_wins(revised):
    results, text = revised
    revision = results["revision"]
    hits, low = revision["groups"]
    assert (hits["changed"], low["changed"], low["mix_plr_change_db"]) == (True, False, 0.0)
    moved = revision["mix_plr_db"] - revision["mix_plr_db_before"]
    assert hits["mix_plr_change_db"] == pytest.approx(moved, abs=0.01)
    assert f"hits is 6.0 LU louder, which moved it by {hits['mix_plr_change_db']:+.2f} dB" in text
    assert {w["comparison"] for w in revision["winners"]} == {"hits", "low", "master"}


def test_a_target_beyond_the_budget_says_how_far_it_got(revised):
    results, text = revised
    assert winner(results, "master")["standing"]["within_budget"]
    said = results["chosen"]["target_said"]
    reached = results["chosen"]["master_file"]["rms_max_300ms_db"]
    assert "is not met" in said and f"reaches {reached:.2f} dB" in said and "allowed 0.5 dB" in said
    assert " ".join(said.split()) in text


def test_the_recipe_gives_the_same_master_bit_for_bit_a_folder_for_each_song_of_one_name(work):
    recipe = tomllib.loads((work.folder / "run" / "recipe.toml").read_text(encoding="utf-8"))
    (found,) = recipe["group"][0]["found"]
    assert recipe["group"][0]["stage"][0]["ceiling"] == found["setting"]
    assert recipe["settings"]["target"] == {"integrated_lufs": TARGET_LUFS}
    assert len(recipe["provenance"]["stems"]) == 2
    shutil.copytree(work.folder / "tiny", work.folder / "copy" / "tiny")
    work.run("apply", "run/recipe.toml", "tiny", "copy/tiny")
    first = (work.folder / "run" / "masters" / "tiny.wav").read_bytes()
    for run in ("tiny-run", "tiny-run-2"):
        assert (work.folder / run / "masters" / "tiny.wav").read_bytes() == first
        handed_on = tomllib.loads((work.folder / run / "recipe.toml").read_text(encoding="utf-8"))
        assert handed_on == recipe  # what was found goes on, for whoever searches again


def test_versions_keep_the_main_mix_s_levels_and_gains(work):
    write_song(work.folder / "instrumental", {"hits": "hits"}, lambda _, samples: 0.7 * samples)
    out = ("--out", "kept", "--levels-from", "run")
    work.run("apply", "run/recipe.toml", "tiny", "instrumental", *out)
    first = (work.folder / "run" / "masters" / "tiny.wav").read_bytes()
    assert (work.folder / "kept" / "tiny" / "masters" / "tiny.wav").read_bytes() == first
    runs = ("run", "kept/instrumental")
    main, version = (winner(results_of(work.folder / run), "hits") for run in runs)
    assert version["match_gain_db"] == main["match_gain_db"]
    levels = [
        next(s["rendered"] for s in won["stages"][0]["settings"] if s["key"] == "ceiling")
        for won in (main, version)
    ]
    assert levels[0] == levels[1]


def test_a_denser_song_of_other_names_is_mapped_and_warned_of_and_joins_an_album(work):
    names = {"hits": "drums", "low": "bass"}
    for song, top in (("dense", 0.3), ("denser", 0.2)):
        write_song(work.folder / song, names, lambda _, x, top=top: np.clip(x, -top, top))
    refused = work.run("apply", "run/recipe.toml", "dense", "--out", "no", code=1).stderr
    assert "hits, low" in refused and "bass, drums" in refused and "--map" in refused
    pairs = ("--map", "drums=hits", "--map", "bass=low")
    again = ("--search-again", "--out", "next")
    work.run("apply", "run/recipe.toml", "dense", *pairs, *again)
    assert winner(results_of(work.folder / "next"), "drums")["standing"]["within_budget"]
    both = ("dense", "denser", *pairs, "--out", "album")
    text = work.run("apply", "run/recipe.toml", *both).stdout
    assert "dB denser here" in " ".join(text.split())
    assert "works deeper than it was chosen for" in " ".join(text.split())
    rows = text[text.index("\nAlbum") :].splitlines()
    loudness = {row.split()[0]: float(row.split()[1]) for row in rows[5:8]}
    assert loudness["spread"] == pytest.approx(loudness["denser"] - loudness["dense"], abs=0.011)
    assert any(row.startswith("Stands out") for row in rows)


def test_an_empty_budget_and_two_targets_are_refused(work):
    asked = ("rank", "tiny", "--chains", "chains", "--out", "never")
    for limit in (0, "1e-7"):
        refused = work.run(*asked, "--budget-thdn", limit, code=1).stderr
        assert "the budget is empty" in refused and "state 1e-05 % or more" in refused
    unmet = work.run(*asked[:-1], "dry", "--budget-thdn", "1e-5", "--no-audio").stdout
    said = " ".join(unmet.split())
    assert "dry, for no chain keeps the budget on any group (distortion over 1e-05 % on all" in said
    assert results_of(work.folder / "dry")["chosen"]["within_budget"]
    both = ("--target", "-8LUFS", "--target-rms", "-6dB")
    assert "state one" in work.run(*asked, *both, code=2).stderr
    assert "two or more { search" in work.run(*asked, "--pareto", code=2).stderr
    late = work.run(*asked, "--excerpt", "5:7", code=2).stderr
    assert "5:7 is not all in the song, which lasts 6.00 s" in late
    assert "such as -8LUFS" in work.run(*asked, "--target", "-8", code=2).stderr
