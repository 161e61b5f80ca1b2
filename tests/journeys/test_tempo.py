"""A chain timed in note values, ranked without a tempo, with one, and applied at another."""

import json

TIMED = """
name = "Timed"
scope = "bus"
[[stage]]
effect = "clip"
ceiling = "peak - 1 dB"
[[stage]]
effect = "shorten"
length = "1/16"
depth = "0 dB"
"""


def timed_candidates(folder):
    results = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    return [k for c in results["comparisons"] for k in c["candidates"] if k["name"] == "Timed"]


def length_of(candidate):
    (length,) = [s for s in candidate["stages"][1]["settings"] if s["key"] == "length"]
    return length


def test_the_bench_takes_a_tempo_for_note_values(place):
    (place.folder / "timed.toml").write_text(TIMED, encoding="utf-8")
    at_level = ("bench", "timed.toml", "--level", "-6dBFS", "--rate", "48000", "--json")
    said = place.run(*at_level, code=1).stderr
    assert '"length" is 1/16 of a whole note, but no tempo is known' in said
    stage = json.loads(place.run(*at_level, "--tempo", "120").stdout)["stages"][1]
    assert (stage["settings"]["length"], stage["relative"]["length"]) == ("125 ms", "1/16")


def test_a_note_value_follows_the_tempo_of_each_song(tiny):
    chains = tiny.folder / "chains"
    for name in ("a", "b"):
        (chains / f"{name}.toml").unlink()
    (chains / "timed.toml").write_text(TIMED, encoding="utf-8")
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "none", code=3)
    for candidate in timed_candidates(tiny.folder / "none"):
        assert '"length" is 1/16 of a whole note, but no tempo' in candidate["failure"]

    song_file = tiny.folder / "tiny" / "song.toml"
    song_file.write_text("tempo_bpm = 120\n", encoding="utf-8")
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "run")
    for candidate in timed_candidates(tiny.folder / "run"):
        length = length_of(candidate)
        assert (length["written"], length["rendered"]) == ("1/16", "125 ms")
        assert length["relative"]
    assert "125 ms" in (tiny.folder / "run" / "report.html").read_text(encoding="utf-8")

    recipe = tiny.folder / "run" / "recipe.toml"
    assert 'length = "1/16"' in recipe.read_text(encoding="utf-8")
    song_file.write_text("tempo_bpm = 150\n", encoding="utf-8")
    tiny.run("apply", recipe, "tiny", "--out", "next")
    assert {length_of(c)["rendered"] for c in timed_candidates(tiny.folder / "next")} == {"100 ms"}
