"""The report in a real browser, from a file, as a double-click opens it."""

import pytest


def set_width(browser, width):
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600},
    )


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
def test_one_plot_shows_at_each_width_and_nothing_sticks_out(page, width, kind):
    set_width(page, width)
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


def test_the_keyboard_reaches_links_tables_and_players_with_a_visible_focus(page):
    from selenium.webdriver import ActionChains, Keys

    set_width(page, 1180)
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
