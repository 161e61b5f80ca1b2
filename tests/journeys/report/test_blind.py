"""The blind test and the blind ranking, done as a listener does them, by keyboard alone."""

import json

import pytest
from scipy import stats

KEYS = {
    # one-sided binomial, fewest right of n for p <= 0.05, 0.01, 0.001; the 5 % column from 10 to 25
    # equals the table that paired-comparison tests publish
    5: (5, None, None),
    8: (7, 8, None),
    10: (9, 10, 10),
    12: (10, 11, 12),
    16: (12, 14, 15),
    20: (15, 16, 18),
    25: (18, 19, 21),
    50: (32, 34, 37),
    100: (59, 63, 66),
}


@pytest.mark.parametrize("n", KEYS)
def test_least_right_answers_equal_the_published_table(scripts, n):
    body = "return [0.05, 0.01, 0.001].map((level) => leastRight(given[0], level));"
    assert tuple(scripts.run(("binomial",), body, n)) == KEYS[n]


def test_p_values_and_power_equal_scipys(scripts):
    """scipy.stats.binom.sf is the reference; 12 of 16 is 0.038406, its power at 0.8 0.798."""
    cases = [(k, n) for n in (1, 8, 16, 50, 200) for k in range(0, n + 1, 3)]
    body = "return given[0].map(([k, n]) => binomialTail(k, n));"
    got = scripts.run(("binomial",), body, cases)
    assert got == pytest.approx([stats.binom.sf(k - 1, n, 0.5) for k, n in cases], rel=1e-9)
    body = "return [0.6, 0.7, 0.8, 0.9].map((ear) => power(16, ear));"
    got = scripts.run(("binomial",), body)
    assert got == pytest.approx([0.167, 0.450, 0.798, 0.983], abs=0.0005)
    assert got == pytest.approx([stats.binom.sf(11, 16, p) for p in (0.6, 0.7, 0.8, 0.9)])


def test_drawn_orders_are_even(scripts):
    """Each of 6 orders of 3 in 12,000 draws: 2000, within 6 standard deviations (245)."""
    body = """
    const counts = {};
    for (let i = 0; i < 12000; i++) {
      const order = shuffled([0, 1, 2]).join("");
      counts[order] = (counts[order] ?? 0) + 1;
    }
    return counts;
    """
    counts = scripts.run(("chance",), body)
    assert len(counts) == 6
    assert all(abs(n - 2000) < 245 for n in counts.values())


LISTEN_IN = """
window.started = [];
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (...given) {
  const samples = this.buffer.getChannelData(0);
  window.started.push([this.buffer.length, samples.reduce((sum, v) => sum + v * v, 0)]);
  return start.apply(this, given);
};
"""
LABELS = "return [...document.querySelectorAll('[data-what=hear]')].map((b) => b.textContent)"
REVEALED = "return [...document.querySelectorAll('.revealed bdi')].map((b) => b.textContent)"
TRIAL = "return document.querySelector('#blind-test').outerHTML"


def begin(page, keyboard, opener, trials):
    from selenium.webdriver import Keys

    keyboard.tab_to(opener)
    keyboard.press(Keys.ENTER)
    keyboard.tab_to("dialog[open] input[type=number]")
    keyboard.press(Keys.CONTROL, "a")
    keyboard.press(Keys.NULL)
    keyboard.press(str(trials))
    keyboard.tab_to("dialog[open] button[type=submit]")
    keyboard.press(Keys.ENTER)


def test_ten_trials_by_keyboard_tell_nothing_before_the_end(page, keyboard, downloads):
    from selenium.webdriver import Keys

    page.execute_script(LISTEN_IN)
    begin(page, keyboard, "#comparison-1-listening .open-blind-test", 10)
    seen, heard = set(), []
    for trial in range(10):
        keyboard.wait_for(
            f"document.querySelector('.progress').textContent === 'Trial {trial + 1} of 10'"
        )
        for key in "x12":
            keyboard.press(key)
            keyboard.wait_for(f"window.started.length === {3 * trial + 'x12'.index(key) + 1}")
        heard.append(page.execute_script("return window.started.slice(-3)"))
        seen.add(page.execute_script(TRIAL).replace(f"Trial {trial + 1} of", "Trial N of"))
        if trial == 4:
            tree = json.dumps(page.execute_cdp_cmd("Accessibility.getFullAXTree", {}))
            assert "Trial 5 of 10" in tree
        keyboard.tab_to('[data-answer="first"]')
        keyboard.press(Keys.ENTER)
    assert len(seen) == 1, "the page looked different from trial to trial"
    keyboard.wait_for("!document.querySelector('#blind-test .outcome').hidden")
    keyboard.tab_to("#blind-test .save")
    keyboard.press(Keys.ENTER)
    result = downloads("blind-test.json")
    check_result(result, heard)
    sentence = page.execute_script("return document.querySelector('.sentence').textContent")
    assert sentence.startswith(f"{result['n_right']} of 10 right.")
    assert page.get_log("browser") == []


def check_result(result, heard):
    """What was told in the end is what had played, and its statistics are scipy's."""
    assert result["takes"] == ["Reference", "Firm clip"]
    assert len({length for trial in heard for length, _ in trial}) == 1
    energies = {}
    for told, (x, first, second) in zip(result["trials"], heard, strict=True):
        assert {told["first"], told["second"]} == {"Reference", "Firm clip"}
        assert told["x"] in (told["first"], told["second"])
        assert told["right"] == (told[told["answer"]] == told["x"])
        assert told["n_heard"] == {"x": 1, "first": 1, "second": 1}
        for name, (_, energy) in ((told["x"], x), (told["first"], first), (told["second"], second)):
            energies.setdefault(name, set()).add(energy)
    assert all(len(found) == 1 for found in energies.values())
    assert len(set.union(*energies.values())) == 2
    n_right = sum(told["right"] for told in result["trials"])
    assert result["n_right"] == n_right
    assert result["p_value"] == pytest.approx(stats.binom.sf(n_right - 1, 10, 0.5))
    assert result["n_right_needed"] == 9


def test_names_and_places_of_a_blind_test_are_nowhere_in_the_page_while_it_runs(page, keyboard):
    begin(page, keyboard, "#comparison-1-listening .open-blind-test", 5)
    keyboard.wait_for("!document.querySelector('#blind-test .trial').hidden")
    keyboard.press("x")
    shown = page.execute_script("return document.querySelector('#blind-test .trial').outerHTML")
    assert "Firm clip" not in shown
    assert "eference" not in shown
    other = "return Object.keys(window).filter((k) => /blind|trial|take/i.test(k))"
    assert page.execute_script(other) == []


def test_giving_up_a_blind_test_tells_nothing(page, keyboard):
    from selenium.webdriver import Keys

    begin(page, keyboard, "#comparison-1-listening .open-blind-test", 5)
    keyboard.wait_for("!document.querySelector('#blind-test .trial').hidden")
    keyboard.tab_to('[data-answer="second"]')
    keyboard.press(Keys.ENTER)
    keyboard.press(Keys.ESCAPE)
    keyboard.wait_for("!document.querySelector('#blind-test').open")
    body = "return document.querySelector('#blind-test tbody').textContent"
    assert page.execute_script(body) == ""


def test_a_blind_ranking_by_keyboard_ends_with_names_in_the_chosen_order(page, keyboard, downloads):
    from selenium.webdriver import Keys

    begin(page, keyboard, "#comparison-1-listening .open-blind-ranking", 3)
    keyboard.wait_for("document.querySelectorAll('.order li').length === 3")
    shown = page.execute_script("return document.querySelector('.ranking-list').outerHTML")
    assert "clip" not in shown.lower()
    assert "reference" not in shown.lower()
    before = page.execute_script(LABELS)
    assert before == ["Take A", "Take B", "Take C"]
    keyboard.tab_to('.order li:first-child [data-what="down"]')
    keyboard.press(Keys.ENTER)
    after = page.execute_script(LABELS)
    assert after == ["Take B", "Take A", "Take C"]
    keyboard.tab_to("#blind-ranking .reveal")
    keyboard.press(Keys.ENTER)
    keyboard.tab_to("#blind-ranking .save")
    keyboard.press(Keys.ENTER)
    result = downloads("blind-ranking.json")
    told = page.execute_script(REVEALED)
    assert [entry["name"] for entry in result["order"]] == told
    assert {"Reference", "Firm clip"} <= set(told)
    assert sorted(e["measured_rank"] or 0 for e in result["order"]) == [0, 1, 2]
