"""How long a report of 60 candidates takes to open, beside an empty page in the same browser.

Prints milliseconds from the start of navigation to the end of loading, and of one sort of the
table; needs chromium, chromedriver and selenium.
"""

import importlib.util
import tempfile
from dataclasses import replace
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
TIMES = "const t = performance.getEntriesByType('navigation')[0]; return t.loadEventEnd"
SORT = """
const button = document.querySelectorAll('#comparison-1 .ranking .sort')[5];
const begin = performance.now();
button.click();
document.body.getBoundingClientRect();
return performance.now() - begin;
"""


def load(path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def write_run(folder):
    """Sixty candidates in each of two groups, eight of them and the reference with audio."""
    from chainweigh.report.page import write_report

    pages = load(TESTS / "journeys" / "report" / "conftest.py")
    make = load(TESTS / "unit" / "report" / "conftest.py")
    results = pages.invented_run()
    comparisons = [
        make.comparison(
            name,
            [
                make.candidate(f"Chain {i:02}", i, 2 - i / 30, i / 6, folder=name)
                for i in range(1, 61)
            ],
        )
        for name in ("drums", "bass")
    ]
    run = replace(results, comparisons=tuple(comparisons), ladder=None)
    pages.write_audio(run, folder)
    return write_report(run, folder)


def browser():
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for switch in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(switch)
    return webdriver.Chrome(
        options=options, service=webdriver.ChromeService("/usr/bin/chromedriver")
    )


def opened_ms(driver, page):
    times = []
    for _ in range(5):
        driver.get("about:blank")
        driver.get(page.as_uri())
        times.append(driver.execute_script(TIMES))
    return sorted(times)[2]


def main():
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        page, empty = write_run(folder), folder / "empty.html"
        empty.write_text("<!doctype html><title>empty</title>")
        driver = browser()
        try:
            bare_ms, page_ms = opened_ms(driver, empty), opened_ms(driver, page)
            sort_ms = driver.execute_script(SORT)
        finally:
            driver.quit()
        size_mb = page.stat().st_size / 1e6
    print(f"page of {size_mb:.1f} MB: {page_ms:.0f} ms, empty page {bare_ms:.0f} ms")
    print(f"sorting 60 rows: {sort_ms:.0f} ms")


if __name__ == "__main__":
    main()
