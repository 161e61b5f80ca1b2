"""An invented run with audio made for it, and a browser that opens its report from a file."""

import importlib.util
import json
import shutil
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainweigh.report import write_report, write_results
from chainweigh.report.page import Listening
from chainweigh.report.script import modules_text

RATE_HZ = 48000
N_FRAMES = 6 * RATE_HZ
PASSAGE_S = (3.25, 5.25)
BUILDERS = Path(__file__).parents[2] / "unit" / "report" / "conftest.py"
HOSTILE = '<img src=x onerror="window.hacked=1"> "🔥" ' + "very long " * 12 + "مُحدِّد"


def _missing_parts():
    parts = [name for name in ("chromium", "chromedriver") if shutil.which(name) is None]
    return parts + (["selenium"] if importlib.util.find_spec("selenium") is None else [])


def _builders():
    spec = importlib.util.spec_from_file_location("report_builders", BUILDERS)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def invented_run():
    """The builders' run, of a song without tempo, with a name that tries to be markup."""
    results = _builders().rank_results()
    first = results.comparisons[0]
    hostile = replace(first.candidates[1], name=HOSTILE)
    candidates = (first.candidates[0], hostile, *first.candidates[2:])
    return replace(
        results,
        source=replace(results.source, tempo_bpm=None),
        comparisons=(replace(first, candidates=candidates), *results.comparisons[1:]),
    )


def dry(seed):
    """Six seconds of decaying noise bursts, the last three louder; shape (n_frames, 2)."""
    noise = np.random.default_rng(seed).standard_normal((N_FRAMES, 2))
    time_s = np.arange(N_FRAMES) / RATE_HZ
    bursts = np.exp(-((time_s + 0.07 * seed) % 0.5) / 0.05)
    return 0.12 * noise * (bursts * np.where(time_s < 3, 0.3, 1.0))[:, None]


def driven(samples, rank, gain_db):
    """Clipped harder with every rank, then a match gain that leaves each section off."""
    ceiling = 0.4 / (1 + rank)
    return np.clip(samples, -ceiling, ceiling) * 10 ** (gain_db / 20)


def write_audio(results, folder):
    """reference.wav and every candidate of every comparison."""
    for seed, comparison in enumerate(results.comparisons):
        reference = dry(seed)
        takes = {comparison.reference_audio: reference}
        for k in comparison.candidates:
            if k.audio:
                takes[k.audio] = (
                    driven(reference, k.standing.rank, k.match_gain_db) if k.stages else reference
                )
        for path, samples in takes.items():
            (folder / path).parent.mkdir(parents=True, exist_ok=True)
            soundfile.write(folder / path, samples.astype(np.float32), RATE_HZ, subtype="FLOAT")


def write_ladder(results, folder):
    """Every rung of the first comparison's ladder."""
    (folder / "ladder").mkdir()
    for rung in results.ladder.rungs:
        if rung.audio:
            samples = driven(dry(0), 1 + rung.drive_db, rung.match_gain_db)
            soundfile.write(
                folder / rung.audio, samples.astype(np.float32), RATE_HZ, subtype="FLOAT"
            )


@pytest.fixture(scope="session")
def run_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("run é #1")
    results = invented_run()
    write_audio(results, folder)
    write_ladder(results, folder)
    write_results(results, folder / "results.json")
    write_report(results, folder, Listening(PASSAGE_S))
    return folder


@pytest.fixture(scope="session")
def browser(missing):
    if parts := _missing_parts():
        missing(f"no {', '.join(parts)} on this machine")
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium")
    for switch in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(switch)
    options.add_argument("--autoplay-policy=no-user-gesture-required")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    service = webdriver.ChromeService(shutil.which("chromedriver"))
    driver = webdriver.Chrome(options=options, service=service)
    driver.set_script_timeout(30)
    yield driver
    driver.quit()


@pytest.fixture
def page(browser, run_folder):
    """The report of the invented run, freshly opened in a window of a desk."""
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
    set_width(browser, 1180)
    open_page(browser, run_folder)
    return browser


def open_page(browser, folder):
    """Open a run's report as a double-click does, and wait until all of it is there."""
    from selenium.webdriver.support.ui import WebDriverWait

    browser.get("about:blank")
    browser.get((folder / "report.html").as_uri())
    WebDriverWait(browser, 20).until(
        lambda b: b.execute_script(
            "return location.protocol === 'file:' && document.readyState === 'complete'"
        )
    )


def set_width(browser, width):
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600},
    )


class Scripts:
    """The page's own modules, run inside the page by a test."""

    def __init__(self, browser):
        self._browser = browser

    def run(self, modules, body, *arguments):
        """What the body of an async function returns, with the modules' names in scope."""
        text = (
            "const done = arguments[arguments.length - 1], given = arguments;\n"
            f"{modules_text(*modules)}\n"
            f"(async () => {{ {body} }})()"
            ".then((value) => done([value, null]), (error) => done([null, error.stack]));"
        )
        value, error = self._browser.execute_async_script(text, *arguments)
        assert error is None, error
        return value


@pytest.fixture(scope="module")
def scripts(browser, run_folder):
    open_page(browser, run_folder)
    return Scripts(browser)


class Keyboard:
    def __init__(self, page):
        self.page = page

    def press(self, *keys):
        from selenium.webdriver import ActionChains

        ActionChains(self.page).send_keys(*keys).perform()

    def tab_to(self, selector, most=80):
        """Press Tab until an element that matches has the focus."""
        from selenium.webdriver import Keys

        for _ in range(most):
            if self.page.execute_script(
                "return document.activeElement.matches(arguments[0])", selector
            ):
                return
            self.press(Keys.TAB)
        raise AssertionError(f"Tab never reached {selector}")

    def wait_for(self, script):
        """Wait until an expression is true in the page."""
        from selenium.webdriver.support.ui import WebDriverWait

        WebDriverWait(self.page, 20).until(lambda b: b.execute_script(f"return {script}"))


@pytest.fixture
def keyboard(page):
    return Keyboard(page)


@pytest.fixture
def downloads(page, tmp_path):
    page.execute_cdp_cmd(
        "Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(tmp_path)}
    )

    def read(name):
        for _ in range(100):
            if (tmp_path / name).exists() and (tmp_path / name).stat().st_size:
                return json.loads((tmp_path / name).read_text())
            time.sleep(0.05)
        raise AssertionError(f"{name} was not downloaded")

    return read
