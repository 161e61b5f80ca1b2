"""The page by keyboard and by axe-core's rules for WCAG 2.2 A and AA."""

import json
from pathlib import Path

import pytest

AXE = Path(__file__).parents[2] / "node_modules" / "axe-core" / "axe.min.js"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture
def axe(page, missing):
    """The page with axe-core in it."""
    if not AXE.is_file():
        missing("no axe-core: npm ci --prefix tests --ignore-scripts")
    page.execute_script(AXE.read_text(encoding="utf-8"))
    return page


def serious(page):
    found = page.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run({ runOnly: arguments[0] }).then((r) => done(r.violations));",
        RULES,
    )
    return [
        (v["id"], [node["html"][:150] for node in v["nodes"][:3]])
        for v in found
        if v["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_has_no_serious_finding_on_the_page(axe, scheme):
    axe.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {"features": [{"name": "prefers-color-scheme", "value": scheme}]},
    )
    axe.execute_script("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert serious(axe) == []


@pytest.mark.parametrize("which", ["blind-test", "blind-ranking"])
def test_axe_has_no_serious_finding_in_a_dialogue(axe, which):
    axe.execute_script(f"document.querySelector('.open-{which}').click()")
    assert serious(axe) == []
    axe.execute_script(f"document.querySelector('#{which} [type=submit]').click()")
    assert serious(axe) == []


def send(page, *keys):
    from selenium.webdriver import ActionChains

    ActionChains(page).send_keys(*keys).perform()


def test_the_ranking_sorts_and_filters_by_keyboard(page):
    from selenium.webdriver import Keys

    names = (
        "return [...document.querySelectorAll('#comparison-1 .ranking tbody tr')]"
        ".filter((row) => !row.hidden).map((row) => row.querySelector('th bdi').textContent)"
    )
    assert page.execute_script(names)[0] == "Firm clip"
    page.execute_script("document.querySelectorAll('#comparison-1 .ranking .sort')[5].focus()")
    send(page, Keys.ENTER)
    by_distortion = page.execute_script(names)
    assert by_distortion[:2] == ["bypass", "Slow compressor"]
    assert by_distortion[-2:] == ["Deep clip", "Broken fold"]
    send(page, Keys.ENTER)
    assert page.execute_script(names)[0] == "Deep clip"
    sorted_by = page.execute_script(
        "return [...document.querySelectorAll('#comparison-1 [aria-sort]')]"
        ".map((head) => [head.textContent, head.getAttribute('aria-sort')])"
    )
    assert sorted_by == [["Distortion%", "descending"]]
    page.execute_script("document.querySelector('#comparison-1 .words').focus()")
    send(page, "limiter")
    assert page.execute_script(names) == ["Clip into limiter", "Fast limiter"]
    send(page, Keys.TAB, Keys.TAB, Keys.SPACE)
    assert page.execute_script(names) == []
    said = "return document.querySelector('#comparison-1 .table-tools output').value"
    assert page.execute_script(said) == "0 of 8 shown"


def test_playing_and_switching_by_keyboard(page):
    page.execute_script(
        """
        window.started = 0;
        const start = AudioBufferSourceNode.prototype.start;
        AudioBufferSourceNode.prototype.start = function (...given) {
          window.started += 1;
          return start.apply(this, given);
        };
        document.querySelector('#comparison-1-listening .play').focus();
        """
    )
    from selenium.webdriver.support.ui import WebDriverWait

    state = (
        "const p = document.querySelector('#comparison-1-listening');"
        "return [p.querySelector('.play').textContent, p.querySelector('.takes :checked').value,"
        "p.querySelector('.views :checked').value, window.started]"
    )

    def wait_for(*expected):
        WebDriverWait(page, 20).until(lambda b: b.execute_script(state) == list(expected))

    send(page, "p")
    wait_for("Pause", "0", "soloed", 1)
    send(page, "2")
    wait_for("Pause", "2", "soloed", 2)
    send(page, "m")
    wait_for("Pause", "2", "mix", 3)
    send(page, "d")
    wait_for("Pause", "2", "difference", 4)
    send(page, "p")
    wait_for("Play", "2", "difference", 4)


def test_listening_starts_quietly(page):
    assert (
        page.execute_script("return [...document.querySelectorAll('.volume')].map((v) => v.value)")
        == ["-20"] * 4
    )
    gains = page.execute_async_script(
        """
        const done = arguments[0], made = [];
        const make = AudioContext.prototype.createGain;
        AudioContext.prototype.createGain = function () {
          made.push(make.call(this));
          return made.at(-1);
        };
        document.querySelector('.play').click();
        const wait = setInterval(() => {
          if (made.length < 4) return;
          clearInterval(wait);
          done(made.slice(0, 2).map((g) => g.gain.value));
        }, 20);
        """
    )
    assert gains[0] == pytest.approx(0.1)
    assert gains[1] <= 1


def test_a_locked_version_of_axe_is_what_the_tests_ask_for():
    folder = AXE.parents[2]
    wanted = json.loads((folder / "package.json").read_text())["devDependencies"]["axe-core"]
    locked = json.loads((folder / "package-lock.json").read_text())["packages"]
    assert locked["node_modules/axe-core"]["version"] == wanted
