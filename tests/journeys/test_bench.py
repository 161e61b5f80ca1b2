"""The tone bench, as a user runs it."""

import json
from xml.etree import ElementTree

import pytest

LEVEL = ("--level", "-6dBFS", "--rate", "44100")
SWEEP = """
name = "Swept"
scope = "bus"
[[stage]]
effect = "clip"
ceiling = { sweep = ["peak - 1 dB", "peak - 3 dB"] }
"""


def strict(text):
    """JSON without NaN and Infinity, which Python would let pass."""

    def refuse(name):
        raise ValueError(name)

    return json.loads(text, parse_constant=refuse)


def missing(record):
    """Names of fields that are null, or hold a null."""
    return {
        key
        for key, value in record.items()
        if key != "undefined" and "null" in json.dumps(value) and not isinstance(value, dict)
    }


def test_json_is_strict_and_every_null_has_its_reason(tiny):
    done = tiny.run("bench", "chains/b.toml", "--programme", "tiny/hits/hits.wav", "--json")
    results = strict(done.stdout)
    assert not done.stderr
    for readings in (results["measured"], results["floor"]):
        for record in (readings, readings["imd"]):
            assert missing(record) == set(record["undefined"])
    assert results["levels_from"] == "the programme hits.wav"
    assert results["stages"][0]["relative"] == {"ceiling": "peak - 6 dB"}
    assert len(results["measured"]["thdn_pct"]) == len(results["frequencies_hz"])
    assert len(results["measured"]["thdn_pct"][0]) == len(results["levels_dbfs"])
    assert len(results["measured"]["gain_db"]) == len(results["response_frequencies_hz"])


def test_the_bench_reads_what_the_ranking_read(ranked):
    song = json.loads((ranked.folder / "run" / "results.json").read_text(encoding="utf-8"))
    hits = next(c for c in song["comparisons"] if c["name"] == "hits")
    deep = next(c for c in hits["candidates"] if c["name"] == "Deep")
    done = ranked.run("bench", "chains/b.toml", "--programme", "tiny/hits/hits.wav", "--json")
    measured = strict(done.stdout)["measured"]
    assert measured["thdn_pct"] == deep["tones"]["thdn_pct"]
    assert measured["thdn_peak_pct"] == deep["tones"]["thdn_peak_pct"]
    for name in ("thdn_steady_pct", "thdn_ridden_pct", "thdn_programme_pct"):
        assert measured[name] == deep["tones"][name]


def test_bypass_reads_the_floor_that_stands_beside_a_chain(tiny):
    bypass = strict(tiny.run("bench", "bypass", *LEVEL, "--json").stdout)
    chain = strict(tiny.run("bench", "Deep", "--chains", "chains", *LEVEL, "--json").stdout)
    assert bypass["measured"] == bypass["floor"] == chain["floor"]


def test_the_same_bench_gives_the_same_bytes(tiny):
    first, second = (tiny.run("bench", "chains/b.toml", *LEVEL, "--json") for _ in range(2))
    assert first.stdout == second.stdout


def test_the_table_shows_chain_and_floor_and_where_the_levels_came_from(tiny):
    text = tiny.run("bench", "chains/b.toml", *LEVEL).stdout
    words = " ".join(text.split())
    assert "levels resolved on a 997 Hz sine of -6 dBFS peak on both sides, then frozen" in words
    assert "ceiling -12 dBFS (peak - 6 dB)" in words
    for label in ("THD+N", "SMPTE RP120", "19 + 20 kHz", "noise", "latency", "Gain", "floor"):
        assert label in text
    assert "n/a [1]" in text and "[1] no programme" in text
    assert max(map(len, text.splitlines())) <= 110


def test_the_plot_is_one_svg_that_needs_nothing_else(tiny):
    name = 'Clip & <b>"bold"</b>'
    file = tiny.folder / "odd.toml"
    text = (tiny.folder / "chains" / "a.toml").read_text(encoding="utf-8")
    file.write_text(text.replace('"Light"', f"'{name}'"), encoding="utf-8")
    said = tiny.run("bench", "odd.toml", *LEVEL, "--plot", "odd.svg").stderr
    assert said == "plot: odd.svg\n"
    root = ElementTree.parse(tiny.folder / "odd.svg").getroot()
    assert name in root.find("{*}title").text
    drawn = (tiny.folder / "odd.svg").read_text(encoding="utf-8")
    assert "href" not in drawn and "url(" not in drawn and "nan" not in drawn.split("<style>")[1]
    heads = [t.text for t in root.iter() if t.get("class") == "head"]
    assert len(heads) == 3


def test_a_shipped_chain_goes_by_its_name(place):
    assert strict(place.run("bench", "Firm clip", *LEVEL, "--json").stdout)["chain"] == "Firm clip"


def test_a_sweep_is_benched_one_chain_at_a_time(tiny):
    (tiny.folder / "chains" / "s.toml").write_text(SWEEP, encoding="utf-8")
    said = tiny.run("bench", "chains/s.toml", *LEVEL, code=1).stderr
    assert '"Swept, ceiling peak - 3 dB"' in said and "--chains" in said
    name = "Swept, ceiling peak - 3 dB"
    text = tiny.run("bench", name, "--chains", "chains", *LEVEL).stdout
    assert text.startswith(name)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ((), "one of the two"),
        (("--level", "-6dBFS", "--programme", "tiny/hits/hits.wav"), "one of the two"),
        (("--level", "-6dBFS"), "no rate is assumed"),
        (("--programme", "tiny/hits/hits.wav", "--rate", "48000"), "brings its own rate"),
        (("--level", "-6", "--rate", "48000"), "with its unit"),
        ((*LEVEL, "--plot", "x.png"), "SVG"),
    ],
)
def test_options_that_do_not_go_together_end_with_2(tiny, options, said):
    assert said in tiny.run("bench", "chains/a.toml", *options, code=2).stderr


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("none.toml", *LEVEL), "none.toml"),
        (("Frim clip", *LEVEL), "Firm clip"),
        (("bypass", "--programme", "none.wav"), "none.wav"),
        (("bypass", "--level", "60dBFS", "--rate", "44100"), "+40"),
        (("bypass", *LEVEL, "--plot", "no-such-folder/x.svg"), "no-such-folder"),
    ],
)
def test_what_cannot_be_read_or_written_ends_with_1_in_one_line(tiny, arguments, said):
    done = tiny.run("bench", *arguments, code=1)
    assert done.stderr.startswith("Error: ") and said.lstrip("+") in done.stderr
    assert done.stderr.count("\n") == 1 and not done.stdout
