"""The report in a real browser, from a file, as a double-click opens it."""

from dataclasses import replace

import pytest

from chainweigh.report.page import Listening, write_report
from chainweigh.report.results_json import load_results


def test_the_page_opens_from_a_file_without_a_complaint(page):
    assert page.title == "Paper Lanterns: chains weighed"
    assert page.get_log("browser") == []
    assert page.execute_script("return performance.getEntriesByType('resource').length") == 0


def test_markup_in_a_name_runs_nothing(page):
    assert page.execute_script("return window.hacked") is None
    assert page.execute_script("return document.images.length") == 0


def test_every_player_starts_quiet_and_one_volume_holds_for_all(page):
    volumes = "return [...new Set([...document.querySelectorAll('audio')].map(a => a.volume))]"
    assert page.execute_script(volumes) == [0.2]
    page.execute_async_script(
        "const done = arguments[0], all = document.querySelectorAll('audio');"
        "all[1].volume = 0.35; setTimeout(done, 200)"
    )
    assert page.execute_script(volumes) == [0.35]


def test_a_float_file_plays_and_starting_another_goes_on_from_the_same_moment(page):
    first, second, only_one = page.execute_async_script(
        """
        const done = arguments[0];
        const [a, b] = document.querySelectorAll('#comparison-1 audio');
        const begin = Date.now();
        a.play();
        const wait = setInterval(() => {
          if (a.currentTime < 1 && Date.now() - begin < 15000) return;
          clearInterval(wait);
          const at = a.currentTime;
          b.addEventListener('playing', () => done([at, b.currentTime, a.paused && !b.paused]));
          b.play();
        }, 20);
        """
    )
    assert first >= 1
    assert first - 0.1 <= second <= first + 0.7
    assert only_one


@pytest.mark.parametrize(("width", "kind"), [(1180, "wide"), (390, "narrow"), (320, "narrow")])
def test_one_plot_shows_at_each_width_and_nothing_sticks_out(page, window, width, kind):
    window.width(width)
    visible = page.execute_script(
        "return [...document.querySelectorAll('#comparison-1 .plot')]"
        ".filter(p => p.getBoundingClientRect().width > 0).map(p => p.classList[1])"
    )
    assert visible == [kind]
    assert page.execute_script("return document.documentElement.scrollWidth") <= width


def test_text_stands_out_from_its_ground_in_light_and_dark(page):
    """WCAG 2.2, 1.4.3: contrast of at least 4.5 to 1."""
    script = """
        const rgb = v => getComputedStyle(document.querySelector(v[0]))[v[1]].match(/[\\d.]+/g)
          .slice(0, 3).map(c => c / 255)
          .map(c => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
        const light = c => 0.2126 * c[0] + 0.7152 * c[1] + 0.0722 * c[2];
        const ground = light(rgb(['body', 'backgroundColor']));
        return ['body', '.quiet', 'nav a', '.over', '.tags'].map(s => {
          const ink = light(rgb([s, 'color']));
          return (Math.max(ink, ground) + 0.05) / (Math.min(ink, ground) + 0.05);
        });
    """
    for scheme in ("light", "dark"):
        page.execute_cdp_cmd(
            "Emulation.setEmulatedMedia",
            {"features": [{"name": "prefers-color-scheme", "value": scheme}]},
        )
        assert min(page.execute_script(script)) >= 4.5
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_the_keyboard_reaches_links_tables_and_players_with_a_visible_focus(page, window):
    from selenium.webdriver import ActionChains, Keys

    window.width(1180)
    seen = set()
    for _ in range(75):
        ActionChains(page).send_keys(Keys.TAB).perform()
        tag, outline = page.execute_script(
            "const e = document.activeElement;"
            "return [e.localName, getComputedStyle(e).outlineStyle]"
        )
        assert tag == "body" or outline != "none"
        seen.add(tag)
    assert {"a", "div", "button", "input", "summary"} <= seen


@pytest.fixture(scope="module")
def sixty(run_folder, tmp_path_factory):
    """A folder with a run of 60 candidates and the audio of the other run."""
    results = load_results(run_folder)
    first = results.comparisons[0]
    pattern = first.candidates[0]
    many = tuple(
        replace(
            pattern,
            name=f"Chain {i:02}",
            audio=first.candidates[i % 7].audio,
            standing=replace(pattern.standing, rank=i, score_lu=2 - i / 30),
        )
        for i in range(1, 61)
    )
    folder = tmp_path_factory.mktemp("sixty")
    (folder / "audio").symlink_to(run_folder / "audio")
    run = replace(results, comparisons=(replace(first, candidates=many),), ladder=None)
    write_report(run, folder, Listening((3.25, 5.25)))
    return folder


def test_of_sixty_candidates_eight_are_embedded_and_all_can_be_sorted(browser, window, sixty):
    window.open(sixty)
    count = "return document.querySelectorAll(arguments[0]).length"
    assert browser.execute_script(count, "#comparison-1 .ranking tbody tr") == 60
    assert browser.execute_script(count, "#comparison-1-listening .take") == 9
    assert browser.execute_script(count, "#comparison-1 audio[preload=none]") == 61
    first = browser.execute_script(
        "document.querySelectorAll('#comparison-1 .ranking .sort')[6].click();"
        "return document.querySelector('#comparison-1 .ranking tbody bdi').textContent"
    )
    assert first == "Chain 60"
    assert browser.get_log("browser") == []


def test_long_and_right_to_left_names_and_emoji_stay_inside_the_page(page, window, run_folder):
    window.width(390)
    page.execute_script("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert page.execute_script("return document.documentElement.scrollWidth") <= 390
    shown = page.execute_script(
        "return [...document.querySelectorAll('#comparison-1-listening bdi')]"
        ".map((b) => b.textContent)"
    )
    assert load_results(run_folder).comparisons[0].candidates[1].name in shown
