"""apply, report, measure and chains, as a user runs them."""

import json
import re
import subprocess
import sys

import numpy as np
import pyebur128
import pytest
import soundfile

from chainweigh.recipe.recipe import load_recipe


def results_of(folder):
    return json.loads((folder / "results.json").read_text(encoding="utf-8"))


def write_other_song(folder, *, gain=1.0):
    """The tiny song again, its hits louder against the low note, shortened by a second."""
    for group, factor in (("hits", gain), ("low", 0.5)):
        source = folder / "tiny" / group / f"{group}.wav"
        samples, rate_hz = soundfile.read(source, always_2d=True)
        target = folder / "next-song" / group
        target.mkdir(parents=True)
        kept = factor * samples[:-rate_hz]
        soundfile.write(target / "stem.wav", kept, rate_hz, subtype="FLOAT")


@pytest.fixture
def with_recipe(tiny):
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "run")
    return tiny


def test_a_recipe_on_its_own_song_gives_the_same_master_bit_for_bit(with_recipe):
    with_recipe.run("apply", "run/recipe.toml", "tiny", "--out", "again")
    first = with_recipe.folder / "run" / "masters" / "tiny.wav"
    second = with_recipe.folder / "again" / "masters" / "tiny.wav"
    assert first.read_bytes() == second.read_bytes()


ECHO = """
name = "Far echo"
scope = "bus"
about = "Repeats."
[[stage]]
effect = "echo"
time = "700 ms"
feedback = "40 %"
"""


def test_a_chain_that_lost_leaves_no_tail_in_the_master(tiny):
    (tiny.folder / "chains" / "e.toml").write_text(ECHO, encoding="utf-8")
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "run")
    choices = results_of(tiny.folder / "run")["chosen"]["choices"]
    assert "Far echo" not in {choice["candidate"] for choice in choices}
    tiny.run("apply", "run/recipe.toml", "tiny", "--out", "again")
    first, second = (tiny.folder / run / "masters" / "tiny.wav" for run in ("run", "again"))
    assert first.read_bytes() == second.read_bytes()


def test_levels_are_found_anew_on_the_next_song(with_recipe):
    write_other_song(with_recipe.folder, gain=0.5)
    with_recipe.run("apply", "run/recipe.toml", "next-song", "--out", "next")
    ceilings = []
    for run in ("run", "next"):
        results = results_of(with_recipe.folder / run)
        hits = next(c for c in results["comparisons"] if c["name"] == "hits")
        won = next(c for c in hits["candidates"] if c["name"] == hits["winner"])
        (setting,) = [s for s in won["stages"][0]["settings"] if s["key"] == "ceiling"]
        assert setting["relative"] and setting["written"].startswith("peak - ")
        ceilings.append(float(setting["rendered"].removesuffix(" dBFS")))
    # Half the amplitude is 6.02 dB down; both are rounded to 0.01 dB.
    assert ceilings[0] - ceilings[1] == pytest.approx(6.0206, abs=0.011)


def test_apply_shows_the_winning_numbers_beside_the_new_ones(with_recipe):
    write_other_song(with_recipe.folder)
    with_recipe.run("apply", "run/recipe.toml", "next-song", "--out", "next")
    won, here = (results_of(with_recipe.folder / run) for run in ("run", "next"))
    (row,) = [r for r in here["expectations"] if r["measure"] == "mix_headroom_db"]
    assert row["won_with"] == pytest.approx(won["chosen"]["mix_headroom_db"], abs=1e-4)
    assert row["here"] == pytest.approx(here["chosen"]["mix_headroom_db"])
    assert here["kind"] == "apply"


def test_a_song_that_leaves_the_budget_is_said_in_plain_words(with_recipe):
    recipe = with_recipe.folder / "run" / "recipe.toml"
    text = recipe.read_text(encoding="utf-8").replace("peak - ", "peak - 1")
    edited = with_recipe.folder / "deeper.toml"
    edited.write_text(text, encoding="utf-8")
    done = with_recipe.run("apply", edited, "tiny", "--out", "next")
    warnings = results_of(with_recipe.folder / "next")["warnings"]
    assert any("leaves the budget here: " in w for w in warnings)
    assert re.search(r"budget here: .* allowed \d+ (%|dB)", " ".join(done.stdout.split()))


def test_a_chain_of_the_recipe_that_fails_here_leaves_its_group_dry_and_says_so(with_recipe):
    text = (with_recipe.folder / "run" / "recipe.toml").read_text(encoding="utf-8")
    edited = with_recipe.folder / "too-deep.toml"
    edited.write_text(text.replace("peak - ", "peak - 20"), encoding="utf-8")
    done = with_recipe.run("apply", edited, "tiny", "--out", "failed", code=3)
    assert "failed on hits, so the set cannot be judged" in " ".join(done.stdout.split())
    assert any("failed here" in w for w in results_of(with_recipe.folder / "failed")["warnings"])
    dry, stem = (
        (with_recipe.folder / "failed" / place).read_bytes()
        for place in ("audio/hits/reference.wav", "session/hits.wav")
    )
    assert dry == stem
    before, after = (load_recipe(path) for path in (edited, edited.parent / "failed/recipe.toml"))
    assert after.groups[0].chain == before.groups[0].chain
    assert after.groups[0].won.keys() == {"plr_db"}


def test_several_songs_get_a_run_folder_each(with_recipe):
    write_other_song(with_recipe.folder)
    with_recipe.run("apply", "run/recipe.toml", "tiny", "next-song", "--out", "album")
    for song in ("tiny", "next-song"):
        assert results_of(with_recipe.folder / "album" / song)["source"]["folder"] == song


def test_report_builds_the_page_and_table_again(with_recipe):
    run = with_recipe.folder / "run"
    before = {name: (run / name).read_bytes() for name in ("report.html", "ranking.csv")}
    for name in before:
        (run / name).unlink()
    with_recipe.run("report", "run")
    assert {name: (run / name).read_bytes() for name in before} == before


def test_measure_reads_what_libebur128_reads(tiny):
    file = tiny.folder / "tiny" / "hits" / "hits.wav"
    (row,) = json.loads(tiny.run("measure", file, "--json").stdout)
    samples, rate_hz = soundfile.read(file, always_2d=True)
    mode = pyebur128.MeasurementMode
    meter = pyebur128.R128State(2, rate_hz, mode.MODE_I | mode.MODE_SAMPLE_PEAK)
    meter.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
    assert row["integrated_lufs"] == pytest.approx(pyebur128.get_loudness_global(meter), abs=1e-3)
    peak = max(pyebur128.get_sample_peak(meter, channel) for channel in (0, 1))
    assert row["sample_peak_dbfs"] == pytest.approx(20 * np.log10(peak), abs=1e-5)


def test_measure_prints_a_table_and_reasons_for_what_a_short_file_does_not_define(tiny):
    short = tiny.folder / "short.wav"
    soundfile.write(short, 0.1 * np.ones((17_000, 1)), 44_100, subtype="FLOAT")
    text = tiny.run("measure", short, "tiny/low/low.wav").stdout
    assert "integrated loudness, LUFS" in text
    assert "n/a [1]" in text and "400 ms" in text
    (row,) = json.loads(tiny.run("measure", short, "--json").stdout)
    assert row["integrated_lufs"] is None
    assert "400 ms" in row["undefined"]["integrated_lufs"]


def test_a_song_shorter_than_a_loudness_block_is_ranked_with_reasons_not_numbers(tiny):
    folder = tiny.folder / "blip"
    folder.mkdir()
    rng = np.random.default_rng(7)
    for name in ("a", "b"):
        tone = 0.3 * rng.standard_normal((13_000, 2))
        soundfile.write(folder / f"{name}.wav", tone, 44_100, subtype="FLOAT")
    tiny.run("rank", "blip", "--chains", "chains", "--out", "run", code=3)
    chosen = results_of(tiny.folder / "run")["chosen"]
    assert chosen["mix_headroom_db"] is None
    assert chosen["undefined"]["mix_headroom_db"]
    for comparison in results_of(tiny.folder / "run")["comparisons"]:
        assert comparison["winner"] == "bypass"
        assert "400 ms" in comparison["candidates"][-1]["failure"]


def test_chains_list_show_and_validate_speak_of_the_shipped_chains(place):
    listed = json.loads(place.run("chains", "list", "--json").stdout)
    assert len(listed) >= 12
    shown = place.run("chains", "show", "Firm clip").stdout
    assert "ceiling = hits - 4 dB" in shown and "oversample = 16" in shown
    said = place.run("chains", "show", "Frim clip", code=1).stderr
    assert "Firm clip" in said


def test_chains_effects_documents_every_effect_and_parameter(place):
    sheets = json.loads(place.run("chains", "effects", "--json").stdout)
    said = place.run("chains", "effects").stdout
    assert {s["name"] for s in sheets} >= {"clip", "saturate", "shorten", "resonance_cut"}
    flat = " ".join(said.split())
    for sheet in sheets:
        assert sheet["about"] in flat
        for parameter in sheet["parameters"]:
            assert f"- {parameter['name']}: " in flat and parameter["about"] in flat
    one = place.run("chains", "effects", "echo").stdout
    assert one.startswith("echo\n") and "clip" not in one
    assert json.loads(place.run("chains", "effects", "echo", "--json").stdout)["name"] == "echo"
    said = place.run("chains", "effects", "dihter", code=1).stderr
    assert 'unknown effect "dihter"; did you mean dither' in said


def test_validate_names_what_is_wrong_and_ends_with_1(tiny):
    bad = tiny.folder / "bad.toml"
    bad.write_text('name = "x"\nscope = "bus"\n[[stage]]\neffect = "clip"\nceilin = 3\n')
    said = tiny.run("chains", "validate", "bad.toml", code=1).stderr
    assert 'bad.toml: stage 1 (clip): unknown key "ceilin"' in said and "ceiling" in said
    assert "3 chains" in tiny.run("chains", "validate", "chains").stdout


def test_usage_errors_end_with_2(place):
    place.run("rank", code=2)
    place.run("wiegh", code=2)
    place.run("rank", "x", "--threads", "none", code=2)


def test_help_does_not_load_scipy_or_the_renderers():
    code = "import sys, chainweigh.cli; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "click" in loaded
    assert not loaded & {"numpy", "scipy", "soundfile", "pedalboard", "jinja2", "msgspec"}
