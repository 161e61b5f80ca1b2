"""A song ranked with plug-ins among the chains: sound ones, one that crashes, one with NaN."""

import json

CLIP = 'name = "Clip"\nscope = "bus"\n[[stage]]\neffect = "clip"\nceiling = "peak - 3 dB"\n'
STEADY = """
name = "Steady"
scope = "bus"
[[stage]]
plugin = "FOLDER/steady.clap#org.example.steady"
params = { Gain = "peak - 3 dB", Tilt = 1.5 }
[[stage]]
effect = "clip"
ceiling = "peak - 4 dB"
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


def test_plug_ins_are_ranked_and_a_faulty_one_is_a_row_with_its_reason(tiny, plugin_folder):
    texts = (CLIP, STEADY, ROGUE.replace("NUMBER", "1"), ROGUE.replace("NUMBER", "8"))
    (tiny.folder / "mine").mkdir()
    for number, text in enumerate(texts):
        written = text.replace("FOLDER", str(plugin_folder))
        (tiny.folder / "mine" / f"{number}.toml").write_text(written, encoding="utf-8")
    tiny.run("rank", "tiny", "--chains", "mine", "--out", "run", code=3)
    found = candidates(tiny.folder / "run")
    for place in ("hits", "low"):
        assert "segmentation fault" in found[place, "Fault 1"]["failure"]
        assert "NaN" in found[place, "Fault 8"]["failure"]
        assert found[place, "Clip"]["failure"] is None
        steady = found[place, "Steady"]["stages"][0]
        assert steady["plugin"]["alignment"] == "agreed"
        assert steady["settings"][0]["displayed"].endswith(" dB")
    listed = tiny.run("plugins", "list").stdout
    assert "clap:org.example.steady" in listed
    assert "Trim: 0 to 1" in tiny.run("plugins", "show", "clap:org.example.steady").stdout
    page = (tiny.folder / "run" / "report.html").read_text(encoding="utf-8")
    assert "CLAP plug-in Steady 1.0: 64 frames late, as it reports" in page


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
