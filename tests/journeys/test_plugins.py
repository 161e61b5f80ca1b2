"""A song ranked with plug-ins among the chains: sound ones, one that crashes, one with NaN."""

import json
import struct

from chainweigh.hosts.vst3_preset import Preset, preset_bytes

CLIP = 'name = "Clip"\nscope = "bus"\n[[stage]]\neffect = "clip"\nceiling = "peak - 3 dB"\n'
STEADY = """
name = "Steady"
scope = "bus"
[[stage]]
plugin = "FOLDER/steady.clap#org.example.steady"
preset = "soft.state"
params = { Gain = "peak - 3 dB", Tilt = 1.5 }
[[stage]]
effect = "clip"
ceiling = "peak - 4 dB"
"""
CLASS_ID = b"chainweigh-test".hex().upper() + "01"
STEADY_VST3 = (
    STEADY.replace('"Steady"', '"Steady as VST3"')
    .replace("steady.clap#org.example.steady", f"steady.vst3#{CLASS_ID}")
    .replace("soft.state", "soft.vstpreset")
)
TILTED = """
name = "Tilted"
scope = "bus"
[[stage]]
plugin = "FOLDER/steady.so#steady"
params = { "Tilt (dB)" = 3.0 }
"""
ROGUE = """
name = "Fault NUMBER"
scope = "bus"
[[stage]]
plugin = "FOLDER/rogue.so"
params = { Fault = NUMBER }
"""


def candidates(run):
    results = json.loads((run / "results.json").read_text(encoding="utf-8"))
    return {
        (comparison["name"], candidate["name"]): candidate
        for comparison in results["comparisons"]
        for candidate in comparison["candidates"]
    }


def measured(candidate):
    """All but its place among the others."""
    return {key: value for key, value in candidate.items() if key != "standing"}


def test_plug_ins_are_ranked_and_a_faulty_one_is_a_row_with_its_reason(tiny, plugin_folder):
    texts = (
        CLIP,
        STEADY,
        STEADY_VST3,
        TILTED,
        ROGUE.replace("NUMBER", "1"),
        ROGUE.replace("NUMBER", "8"),
    )
    (tiny.folder / "mine").mkdir()
    state = b"steady 1" + struct.pack("6d", 0, 0, 1, 0, 0, 1)  # mirrored
    (tiny.folder / "mine" / "soft.state").write_bytes(state)
    normalised = struct.pack("12d", 0, 0.5, 0.5, 1, 0, 0, 1, 0, 0, 0, 0, 0)  # mirrored too
    preset = preset_bytes(Preset(CLASS_ID, normalised, None))
    (tiny.folder / "mine" / "soft.vstpreset").write_bytes(preset)
    tiny.run("plugins", "test", plugin_folder / "steady.so#steady", "--quiet")
    for number, text in enumerate(texts):
        written = text.replace("FOLDER", str(plugin_folder))
        (tiny.folder / "mine" / f"{number}.toml").write_text(written, encoding="utf-8")
    said = tiny.run("rank", "tiny", "--chains", "mine", "--out", "run", code=3).stdout
    assert "Plug-in ladspa:steady: safe to rank" in " ".join(said.split())
    found = candidates(tiny.folder / "run")
    for place in ("hits", "low"):
        assert "segmentation fault" in found[place, "Fault 1"]["failure"]
        assert "NaN" in found[place, "Fault 8"]["failure"]
        assert found[place, "Clip"]["failure"] is None
        steady = found[place, "Steady"]["stages"][0]
        assert steady["plugin"]["alignment"] == "agreed"
        assert steady["settings"][0]["displayed"].endswith(" dB")
        assert steady["plugin"]["verdict"] == "not tested"
        assert found[place, "Steady as VST3"]["tones"] == found[place, "Steady"]["tones"]
        assert found[place, "Tilted"]["stages"][0]["plugin"]["verdict"] == "safe to rank"
        kept = tiny.folder / "run" / steady["plugin"]["preset"]
        assert kept.read_bytes() == state
    listed = tiny.run("plugins", "list").stdout
    assert "clap:org.example.steady" in listed
    assert "Trim: 0 to 1" in tiny.run("plugins", "show", "clap:org.example.steady").stdout
    page = (tiny.folder / "run" / "report.html").read_text(encoding="utf-8")
    assert "CLAP plug-in Steady 1.0: 64 frames late, as it reports" in page
    assert "Plug-in clap:org.example.steady: not tested" in page
    assert "Plug-in ladspa:steady: safe to rank" in page


def test_a_faulty_plug_in_changes_no_bit_of_what_the_others_give(tiny, plugin_folder):
    """The same plug-in once sound, once crashing: each of the others is worked out both times."""
    state = b"steady 1" + struct.pack("6d", 0, 0, 1, 0, 0, 1)
    runs = []
    for fault, code in (("0", 0), ("1", 3)):
        mine = tiny.folder / f"fault-{fault}"
        mine.mkdir()
        (mine / "soft.state").write_bytes(state)
        for number, text in enumerate((CLIP, STEADY, ROGUE)):
            written = text.replace("FOLDER", str(plugin_folder)).replace("NUMBER", fault)
            (mine / f"{number}.toml").write_text(written, encoding="utf-8")
        work, run = tiny.cache_apart(fault), tiny.folder / f"run-{fault}"
        work.run("rank", "tiny", "--chains", mine, "--out", run, code=code)
        runs.append(run)
    sound, faulty = map(candidates, runs)
    assert faulty["hits", "Fault 1"]["failure"]
    for place, candidate in faulty.items():
        if not place[1].startswith("Fault"):
            assert measured(candidate) == measured(sound[place])
            audio = [run / candidate["audio"] for run in runs]
            assert audio[0].read_bytes() == audio[1].read_bytes()


def test_a_scan_tells_what_cannot_be_used_and_why(place, plugin_folder):
    said = place.run(
        "plugins",
        "scan",
        "--path",
        plugin_folder / "steady.so",
        "--path",
        plugin_folder / "nothing.so",
    )
    assert "symbol ladspa_descriptor is missing" in " ".join(said.stdout.split())
    assert "LADSPA looked for in" in said.stderr
    files = json.loads(place.run("plugins", "list", "--json").stdout)
    assert any(r["id"] == "steady_mono" for file in files for r in file["records"])


def test_a_plug_in_that_is_not_to_be_trusted_ends_its_test_with_code_3(place, plugin_folder):
    said = place.run("plugins", "test", plugin_folder / "rogue.so", "--json", code=3)
    found = json.loads(said.stdout)
    assert found["verdict"] == "do not trust"
    faults = [f for f in found["qualification"]["findings"] if f["grade"] == "fault"]
    assert [fault["check"] for fault in faults] == ["extreme settings"]
    shown = place.run("plugins", "show", plugin_folder / "rogue.so").stdout
    assert "do not trust: with" in shown


def test_a_recipe_whose_plug_in_changed_or_is_gone_is_refused_by_name(tiny, plugin_folder):
    recipe = """
        recipe = "1.0"
        [[provenance.plugins]]
        plugin = "ladspa:steady"
        digest = "0123"
        [[group]]
        name = "hits"
        chain = "Tilted"
        stage = [{ plugin = "FILE", params = { "Tilt (dB)" = 3.0 } }]
        [[group]]
        name = "low"
        chain = "bypass"
        [master]
        chain = "bypass"
    """
    file = tiny.folder / "recipe.toml"
    file.write_text(recipe.replace("FILE", f"{plugin_folder}/steady.so#steady"), encoding="utf-8")
    said = tiny.run("apply", "recipe.toml", "tiny", "--out", "next", code=1).stderr
    assert "hits: plug-in ladspa:steady has changed since the recipe was made" in said
    assert "was 0123, is " in said
    file.write_text(recipe.replace("FILE", f"{plugin_folder}/gone.so#steady"), encoding="utf-8")
    said = tiny.run("apply", "recipe.toml", "tiny", "--out", "next", code=1).stderr
    assert 'group 1 "hits"' in said and "gone.so" in said
