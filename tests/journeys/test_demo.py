"""The README's main job on the demo songs, once, judged by an outside meter."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyebur128
import pytest
import soundfile
from scipy.fft import next_fast_len
from scipy.signal import resample

ROOT = Path(__file__).resolve().parents[2]
CHANGES_TONE = {"Warm saturation"}


def metered(samples, rate_hz, mode):
    meter = pyebur128.R128State(2, rate_hz, mode)
    meter.add_frames(np.ascontiguousarray(samples, dtype=np.float64).ravel(), len(samples))
    return meter


def four_times(samples):
    """Four times the rate by a Fourier transform, with silence around: ideal band-limiting."""
    n_frames = next_fast_len(len(samples) + 4096)
    around = np.pad(samples, ((2048, n_frames - len(samples) - 2048), (0, 0)))
    return resample(around, 4 * n_frames)


def plr_db(samples, rate_hz):
    """PLR by libebur128, its 4x peak meter fed at four times the rate.

    At the file's own rate it may read up to 0.69 dB low (BS.1770-5, Attachment 1 to Annex 2).
    """
    mode = pyebur128.MeasurementMode
    loudness = pyebur128.get_loudness_global(metered(samples, rate_hz, mode.MODE_I))
    finer = four_times(samples)
    meter = metered(finer, 4 * rate_hz, mode.MODE_TRUE_PEAK)
    return 20 * np.log10(max(pyebur128.get_true_peak(meter, c) for c in (0, 1))) - loudness


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    from_repository = tmp_path_factory.mktemp("demo")
    shutil.copytree(
        ROOT / "demo", from_repository / "demo", ignore=shutil.ignore_patterns("song-*")
    )
    subprocess.run([sys.executable, "demo/make_song.py"], cwd=from_repository, check=True)
    return from_repository


@pytest.fixture(scope="module")
def run_folder(demo):
    command = Path(sys.executable).with_name("chainweigh")
    cache = {"XDG_CACHE_HOME": str(demo / "cache"), "PATH": "", "HOME": str(demo)}
    for arguments in (
        ["rank", "demo/song-1", "--out", "run"],
        ["apply", "run/recipe.toml", "demo/song-2", "--out", "next"],
    ):
        done = subprocess.run(
            [command, *arguments], cwd=demo, env=cache, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr + done.stdout
    return demo / "run"


@pytest.fixture(scope="module")
def results(run_folder):
    return json.loads((run_folder / "results.json").read_text(encoding="utf-8"))


def sum_of(run_folder, results, pick):
    groups = [c for c in results["comparisons"] if c["scope"] == "bus"]
    paths = [run_folder / pick(group) for group in groups]
    return sum(soundfile.read(path, always_2d=True)[0] for path in paths)


def test_an_in_budget_set_hands_the_mix_at_least_two_db_as_libebur128_reads_it(run_folder, results):
    chosen = results["chosen"]
    assert chosen["within_budget"]
    assert chosen["thdn_with_master_pct"] <= results["settings"]["budget"]["thdn_programme_pct"]
    rate_hz = results["source"]["sample_rate_hz"]
    dry = sum_of(run_folder, results, lambda group: group["reference_audio"])
    wet = sum_of(run_folder, results, lambda group: f"session/{group['folder']}.wav")
    headroom_db = plr_db(dry, rate_hz) - plr_db(wet, rate_hz)
    assert headroom_db >= 2.0
    assert chosen["mix_headroom_db"] == pytest.approx(headroom_db, abs=0.1)


@pytest.mark.parametrize("name", ["percussion", "master"])
def test_loudness_gains_are_the_difference_of_plr_libebur128_reads(run_folder, results, name):
    """A candidate that changes tone gains by it too: the two together are what is read."""
    rate_hz = results["source"]["sample_rate_hz"]
    wet = sum_of(run_folder, results, lambda group: f"session/{group['folder']}.wav")
    comparison = next(c for c in results["comparisons"] if c["name"] == name)
    dry, _ = soundfile.read(run_folder / comparison["reference_audio"], always_2d=True)
    others = np.zeros_like(dry)
    if comparison["scope"] == "bus":
        session = run_folder / "session" / f"{comparison['folder']}.wav"
        others = wet - soundfile.read(session, always_2d=True)[0]
    before = plr_db(others + dry, rate_hz)
    for candidate in comparison["candidates"]:
        take, _ = soundfile.read(run_folder / candidate["audio"], always_2d=True)
        expected = before - plr_db(others + take, rate_hz)
        standing = candidate["standing"]
        gained = standing["loudness_gain_lu"]
        if candidate["name"] in CHANGES_TONE:
            gained += standing["tone_gain_lu"]
        else:
            assert standing["tone_gain_lu"] == 0
        assert gained == pytest.approx(expected, abs=0.1), candidate["name"]


def test_every_choice_says_which_chain_at_which_levels_and_what_it_gives_alone(results):
    choices = results["chosen"]["choices"]
    assert {c["group"] for c in choices} == {g["name"] for g in results["source"]["groups"]}
    assert len(choices) >= 4
    for choice in choices:
        assert choice["loudness_gain_dry_lu"] is not None
        assert choice["settings"] or choice["candidate"] == "bypass"
    assert any("dBFS" in text for c in choices for text in c["settings"])
    total = sum(c["loudness_gain_dry_lu"] for c in choices)
    assert results["chosen"]["sum_of_gains_dry_lu"] == pytest.approx(total)


def test_the_chain_made_to_be_too_much_is_rejected_with_its_reason(results):
    master = next(c for c in results["comparisons"] if c["name"] == "master")
    too_much = next(c for c in master["candidates"] if c["name"] == "Far too much")
    assert not too_much["standing"]["within_budget"]
    assert "Over budget" in too_much["standing"]["why"]
    assert master["winner"] != "Far too much"


def test_a_level_read_from_blocks_because_there_are_few_onsets_says_so(results):
    notes = {
        (comparison["name"], setting["note"])
        for comparison in results["comparisons"]
        for candidate in comparison["candidates"]
        for stage in candidate["stages"]
        for setting in stage["settings"]
        if setting["relative"] and "hits" in setting["written"]
    }
    assert {group for group, note in notes if note} == {"voice"}
    assert all("400 ms blocks" in note for _, note in notes if note)


def test_all_takes_of_every_comparison_agree_within_a_hundredth_lu(run_folder, results):
    for comparison in results["comparisons"]:
        takes = sorted((run_folder / "audio" / comparison["folder"]).glob("*.wav"))
        assert len(takes) == 1 + len(comparison["candidates"])
        readings = []
        for take in takes:
            samples, rate_hz = soundfile.read(take, always_2d=True)
            meter = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_I)
            meter.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
            readings.append(pyebur128.get_loudness_global(meter))
        assert max(readings) - min(readings) <= 0.01


def test_the_recipe_lands_inside_the_budget_on_song_two_or_says_why_not(run_folder):
    text = (run_folder.parent / "next" / "results.json").read_text(encoding="utf-8")
    applied = json.loads(text)
    over = [
        c["name"]
        for comparison in applied["comparisons"]
        for c in comparison["candidates"]
        if c["name"] == comparison["winner"] and not c["standing"]["within_budget"]
    ]
    inside = applied["chosen"]["within_budget"]
    assert (inside and not over) == (not applied["warnings"])
