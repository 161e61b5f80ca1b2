"""report.html, parsed with the standard library's html.parser."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from chainweigh.ranking.revision_results import Revision
from chainweigh.ranking.settings import Budget, RankSettings
from chainweigh.report.markdown import markdown_report
from chainweigh.report.page import render_page, write_report

VOID = {"meta", "br", "link", "img", "input", "hr"}
HOSTILE = [
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    '" onmouseover="alert(1)',
    "' autofocus onfocus='alert(1)",
    "</title></style></svg><b>bold",
    "{{ 7 * 7 }}{% raw %}",
    "&lt;b&gt; &amp;",
    "🔥👩‍🚀 鼓",
    "مُحدِّد עברית",
    "x" * 3000,
    "javascript:alert(1)",
    "]]><!-- -->",
]


class Page(HTMLParser):
    """Tags with attributes, text by enclosing tag, and a check that every tag is closed."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.texts, self.open = [], [], []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append((self.open[-1] if self.open else "", data))

    def of(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]

    def text(self):
        return " ".join(data for tag, data in self.texts if tag not in ("style", "script"))


def page(results, folder):
    return Page(render_page(results, folder))


def renamed(results, name):
    first = results.comparisons[0]
    candidate = replace(
        first.candidates[0],
        name=name,
        about=name,
        standing=replace(first.candidates[0].standing, why=name, breaches=(name,)),
    )
    broken = replace(first.candidates[-1], failure=name)
    comparison = replace(
        first,
        name=name,
        candidates=(candidate, *first.candidates[1:-1], broken),
        winner=name,
    )
    chosen = replace(
        results.chosen,
        verdict=name,
        master=name,
        choices=(replace(results.chosen.choices[0], group=name, candidate=name),),
    )
    return replace(
        results,
        source=replace(results.source, title=name, notes=(name,)),
        comparisons=(comparison, *results.comparisons[1:]),
        chosen=chosen,
        warnings=(name,),
        notes=(name,),
        engine={name: name},
    )


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
def test_names_are_text_and_change_no_tag(results, tmp_path, name):
    plain, hostile = (
        page(renamed(results, "plain"), tmp_path),
        page(renamed(results, name), tmp_path),
    )
    shape = [(tag, sorted(attributes)) for tag, attributes in plain.tags if tag != "text"]
    assert [(tag, sorted(a)) for tag, a in hostile.tags if tag != "text"] == shape
    inside = [data for tag, data in hostile.texts if tag == "bdi" and data == name]
    assert len(inside) >= 12
    assert ("title", f"{name}: chains weighed") in hostile.texts


def test_control_characters_and_direction_overrides_are_replaced(results, tmp_path):
    text = render_page(renamed(results, "a\x00\x1b\u202eb"), tmp_path)
    assert "a\ufffd\ufffd\ufffdb" in text
    assert not re.search("[\x00\x1b\u202e]", text)


def test_the_page_asks_the_network_for_nothing(results, tmp_path):
    parsed = page(results, tmp_path)
    for _, attributes in parsed.tags:
        for key in ("src", "href"):
            assert re.match(r"#|\./", attributes.get(key, "#"))
    style = "".join(data for tag, data in parsed.texts if tag == "style")
    assert "url(" not in style
    assert "@import" not in style


def test_ids_are_unique_and_every_link_inside_leads_somewhere(results, applied, tmp_path):
    for run in (results, applied):
        parsed = page(run, tmp_path)
        ids = [attributes["id"] for _, attributes in parsed.tags if "id" in attributes]
        assert len(ids) == len(set(ids))
        links = [a["href"][1:] for a in parsed.of("a") if a["href"].startswith("#")]
        assert len(links) > 8
        assert set(links) <= set(ids)
        for _, attributes in parsed.tags:
            assert set(attributes.get("aria-labelledby", "").split()) <= set(ids)


def numbers(record):
    return {v for v in vars(record).values() if isinstance(v, float)}


def test_the_numbers_on_the_page_are_the_results_numbers(results, tmp_path):
    values = {float(data["value"]) for data in page(results, tmp_path).of("data")}
    wanted = set()
    for comparison in results.comparisons:
        for k in comparison.candidates:
            if k.failure is None:
                s = k.standing
                wanted |= numbers(s) | {k.match_gain_db} | numbers(k.file)
                wanted |= numbers(k.tones) | numbers(k.programme) | numbers(k.in_mix)
                wanted |= numbers(k.soloed) | (numbers(k.contrast) & {-0.31, 0.27})
    wanted |= numbers(results.chosen) - {results.chosen.ceiling_dbtp}
    wanted |= numbers(results.chosen.mix) | numbers(results.source.mix)
    assert len(wanted) > 100
    assert wanted <= values


def test_each_number_reads_as_its_value_rounded(results, tmp_path):
    text = render_page(results, tmp_path)
    found = re.findall(r'<data value="([^"]+)">([^<]+)</data>', text)
    assert len(found) > 300
    for value, shown in found:
        shown = shown.replace("\u2212", "-").replace("&lt;", "<")
        if shown.startswith("<"):
            assert 0 < float(value) < 0.005
        else:
            decimals = len(shown.partition(".")[2])
            assert float(shown) == pytest.approx(float(value), abs=0.5000001 * 10**-decimals)


def test_an_undefined_value_links_to_its_reason(results, tmp_path, make):
    mute = make.candidate(
        "Mute",
        1,
        1.0,
        1.0,
        loudness_gain_lu=None,
        undefined={"loudness_gain_lu": "the mix is <silent>"},
    )
    run = replace(results, comparisons=(make.comparison("drums", [mute]),))
    parsed = page(run, tmp_path)
    at = next(a["id"] for t, a in parsed.tags if t == "li" and a.get("id", "").startswith("comp"))
    assert {"href": f"#{at}", "aria-label": "reason 1"} in parsed.of("a")
    assert ("bdi", "the mix is <silent>") in parsed.texts
    assert "No plot: no candidate has both" in parsed.text()


def test_a_candidate_without_measures_is_shown_with_reasons(results, tmp_path, make):
    bare = make.candidate("Bare", 1, 0.5, 1.0, tones=None, programme=None, file=None)
    run = replace(results, comparisons=(make.comparison("drums", [bare]),))
    assert "not measured" in page(run, tmp_path).text()


def test_a_candidate_not_judged_in_the_mix_says_why_in_its_row(results, tmp_path, make):
    still = make.candidate("Still", 1, 0.0, 1.0, stages=(), in_mix=None)
    run = replace(results, comparisons=(make.comparison("drums", [still]),))
    cells = [text for tag, text in page(run, tmp_path).texts if tag == "td"]
    assert cells.count("not judged: changes nothing") == 1


def test_distortion_ranked_by_the_residual_is_marked(results, tmp_path, make):
    hidden = make.candidate("Hidden", 1, 1.0, 2.0, ranked_by="residual")
    run = replace(results, comparisons=(make.comparison("drums", [hidden]),))
    assert ("small", "residual") in page(run, tmp_path).texts
    assert ("small", "residual") not in page(results, tmp_path).texts


def test_worst_moments_are_listed(results, tmp_path):
    assert re.search(r"Worst moments[^0-9]+13\.25, 40\.50, 3\.75", page(results, tmp_path).text())


def test_every_limit_of_the_budget_is_listed(results, tmp_path):
    budget = Budget(9.1, 8.2, 7.3, 6.4, 5.5)
    run = replace(results, settings=RankSettings(budget=budget))
    text = page(run, tmp_path).text()
    section = text[text.index("A candidate over any of these limits") :]
    found = re.findall(r"at most\s+([\d.]+)\s+(%|dB)", section)
    assert found == [("9.1", "%"), ("8.2", "%"), ("7.3", "%"), ("6.4", "dB"), ("5.5", "dB")]


def test_failed_candidates_are_rows_with_their_reason_and_counted_at_the_top(results, tmp_path):
    text = page(results, tmp_path).text()
    assert "stage 2 (clip): output is not finite at 3.21 s" in text
    assert "1 candidate failed" in text


def test_sixty_candidates_are_all_there(results, tmp_path, make):
    many = [make.candidate(f"Chain {i:02d}", i, 2 - i / 30, i / 6) for i in range(1, 61)]
    run = replace(results, comparisons=(make.comparison("drums", many),))
    text = page(run, tmp_path).text()
    for i in range(1, 61):
        assert f"Chain {i:02d}" in text


def make_audio(folder, path):
    (folder / path).parent.mkdir(parents=True, exist_ok=True)
    (folder / path).write_bytes(b"RIFF")


def test_audio_that_is_there_gets_a_player_and_the_rest_is_said_to_be_missing(results, tmp_path):
    make_audio(tmp_path, "audio/drums/reference.wav")
    make_audio(tmp_path, "audio/drums/1.wav")
    parsed = page(results, tmp_path)
    players = parsed.of("audio")
    assert [p["src"] for p in players] == ["./audio/drums/reference.wav", "./audio/drums/1.wav"]
    assert all("controls" in p and p["preload"] == "none" and p["aria-label"] for p in players)
    missing = [data for tag, data in parsed.texts if tag == "bdi" and data.startswith("audio/")]
    assert "audio/drums/2.wav" in missing
    assert "audio/drums/1.wav" not in missing


def test_audio_paths_are_quoted_for_urls(results, tmp_path, make):
    path = 'audio/drums/100% "hot" #1?.wav'
    make_audio(tmp_path, path)
    run = replace(
        results,
        comparisons=(make.comparison("drums", [make.candidate("x", 1, 1.0, 1.0, audio=path)]),),
    )
    sources = [p["src"] for p in page(run, tmp_path).of("audio")]
    assert sources == ["./audio/drums/100%25%20%22hot%22%20%231%3F.wav"]


def test_audio_outside_the_run_folder_is_never_linked(results, tmp_path, make):
    run_folder = tmp_path / "run"
    run_folder.mkdir()
    make_audio(tmp_path, "secret.wav")
    for path in ("../secret.wav", str(tmp_path / "secret.wav")):
        k = make.candidate("x", 1, 1.0, 1.0, audio=path)
        run = replace(results, comparisons=(make.comparison("drums", [k]),))
        assert page(run, run_folder).of("audio") == []


def test_tables_have_captions_and_scopes_and_plots_a_name(results, applied, tmp_path):
    for run in (results, applied):
        parsed = page(run, tmp_path)
        assert len(parsed.of("table")) == len(parsed.of("caption")) > 10
        assert all("scope" in th for th in parsed.of("th"))
        plots = [svg for svg in parsed.of("svg") if svg.get("role") == "img"]
        assert len([svg for svg in plots if svg.get("aria-labelledby")]) == 6
        assert all(svg.get("aria-labelledby") or svg.get("aria-label") for svg in plots)
        assert len(plots) > 30
        assert parsed.of("html") == [{"lang": "en"}]
        assert len(parsed.of("h1")) == 1


def test_the_order_is_verdict_set_headroom_comparisons_method(results, tmp_path):
    text = render_page(results, tmp_path)
    marks = ["<h1 ", 'id="set"', 'id="headroom"', 'id="comparison-1"', 'id="comparison-3"']
    places = [text.index(mark) for mark in (*marks, 'id="method"')]
    assert places == sorted(places)


def test_headroom_stands_beside_what_the_chains_give_alone(results, tmp_path):
    text = page(results, tmp_path).text()
    assert re.search(r"All groups together\s+\+1\.93\s+dB", text)
    assert re.search(r"One group at a time, added up\s+\+1\.11\s+LU", text)


def test_headroom_without_a_number_is_said_with_its_reason(results, tmp_path):
    chosen = replace(
        results.chosen, mix_headroom_db=None, undefined={"mix_headroom_db": "the mix is silent"}
    )
    text = page(replace(results, chosen=chosen), tmp_path).text()
    assert "the mix is silent" in text


def test_apply_runs_show_expectations_with_differences_and_warnings(applied, tmp_path):
    text = page(applied, tmp_path).text()
    assert re.search(r"loudness_gain_lu\s+\+1\.42\s+\+1\.18\s+\u22120\.24", text)
    assert "the bass is silent" in text
    assert "Warning:" in text


def test_a_revised_mix_says_on_the_page_and_in_markdown_what_moved(results, tmp_path):
    said = ("brass is new, which moved it by +0.40 dB.", "drums: Firm clip still wins.")
    run = replace(results, revision=Revision(14.0, 14.4, (), (), said))
    text = page(run, tmp_path).text()
    assert all(sentence in text for sentence in said)
    assert "- drums: Firm clip still wins." in markdown_report(run).splitlines()


def test_a_loud_sound_warning_comes_before_the_first_player(results, tmp_path):
    for path in ("masters/master.wav", "audio/drums/1.wav"):
        make_audio(tmp_path, path)
        text = render_page(results, tmp_path)
        assert text.index("Loud audio can damage hearing") < text.index("<audio")


def test_the_same_results_give_the_same_bytes(results, tmp_path):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        assert write_report(results, tmp_path / name) == tmp_path / name / "report.html"
    one, two = ((tmp_path / n / "report.html").read_bytes() for n in ("one", "two"))
    assert one == two
    assert [p.name for p in (tmp_path / "one").iterdir()] == ["report.html"]


def test_no_absolute_path_of_the_run_is_on_the_page(results, tmp_path):
    assert str(tmp_path) not in render_page(results, tmp_path)


def test_the_floors_are_what_the_bypass_reads(results, tmp_path):
    text = page(results, tmp_path).text()
    floors = text[text.index("The instruments' own floors") :]
    assert re.search(r"drums\s+0\s+3\s+bass\s+0\s+3\s+Master\s+0\s+3", floors)
