"""The main path in a real headless Chromium, on a phone's and on a desk's screen, with a real upload.

With COLOURMATCH_TEST_PICTURES=1 pictures of every page go to tests/output/screens/.
"""

from __future__ import annotations

import os
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from driving import CHROMIUM, DRIVER, PICTURES, ROOT, SCREENS, Browsers, Page, free_port, wait_for
from test_trend_page import close_lot

from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.workflow.lot import record_photos
from colourmatch.workflow.references import enter_reference

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="chromium and chromedriver are not installed"),
]
_TOO_SMALL = """
return [...document.querySelectorAll('[data-testid=stMainBlockContainer] :is(button, summary), [data-testid=stPageLink] a')]
  .filter(e => e.tagName === 'SUMMARY' || !e.closest('details:not([open])'))
  .map(e => [e.getBoundingClientRect(), e.innerText || e.ariaLabel])
  .filter(([r]) => r.width > 0 && (r.height < 43.5 || r.width < 31))
  .map(([r, text]) => `${text} ${r.width} x ${r.height}`);
"""
#: What does not hang on the width is shown on one screen alone.
ON_A_PHONE = pytest.mark.parametrize("browser", ["phone"], indirect=True)


@pytest.fixture(scope="module")
def app_book(tmp_path_factory: pytest.TempPathFactory) -> LotBook:
    """The book of the running app."""
    return open_book(tmp_path_factory.mktemp("browser") / "book.sqlite")


@pytest.fixture(scope="module")
def address(app_book: LotBook, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The app on a free port; it is ended whatever happens."""
    port = free_port()
    log = (tmp_path_factory.mktemp("log") / "server.txt").open("wb")
    command = [sys.executable, "-m", "streamlit", "run", str(ROOT / "app.py")]
    command += ["--server.port", str(port), "--server.headless", "true"]
    environ = {**os.environ, "COLOURMATCH_BOOK": app_book.place}
    server = subprocess.Popen(command, cwd=ROOT, env=environ, stdout=log, stderr=log)
    try:
        place = f"http://127.0.0.1:{port}"
        wait_for(lambda: answers(place), "the app did not start")
        yield place
    finally:
        server.terminate()
        try:
            server.wait(60)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait(60)
        log.close()


def answers(place: str) -> bool:
    try:
        with urllib.request.urlopen(f"{place}/_stcore/health", timeout=60) as reply:
            return bool(reply.status == 200)
    except OSError:
        return False


class Browser(Page):
    """A page of the running app, by its path."""

    folder = PICTURES.parent / "screens"

    def __init__(self, driver: Any, address: str, name: str) -> None:
        self.address = address
        super().__init__(driver, name)

    def go(self, path: str) -> None:
        super().go(f"{self.address}/{path}")

    def wait_text(self, words: str) -> None:
        if words:
            super().wait_text(words)
            self.settle()

    def tap(self, kind: str, words: str) -> Any:
        target = super().tap(kind, words)
        self.settle()
        return target

    def check_width(self) -> None:
        wide, inner = self.run(
            "return [Math.max(document.scrollingElement.scrollWidth,"
            " document.querySelector('[data-testid=stMain]').scrollWidth), innerWidth]"
        )
        assert wide <= inner, f"{self.name}: the page is {wide} px wide on a screen of {inner} px"


@pytest.fixture(params=list(SCREENS))
def browser(request: pytest.FixtureRequest, address: str, browsers: Browsers) -> Iterator[Browser]:
    yield Browser(browsers.open(), address, request.param)
    browsers.give_back()


@pytest.fixture(scope="module")
def lots(app_book: LotBook, photos: list[Path]) -> tuple[int, int]:
    """A lot with a photo, and one of several that are closed; beside them a reference with a long name."""
    app_book.stocks.add("red", "E129", 1.0)
    begun = app_book.lots.begin("aperitif <b>begun</b>", 900, ["red"], ceiling_mg_per_l=30).id
    record_photos(app_book, begun, [photos[0]])
    for k in range(5):
        closed = close_lot(app_book, f"a lot with a long number {k}", [0.0, -3.0 * (k == 4), 0.1 * k])
    enter_reference(app_book, "a bottle with a very long name on the shelf in the cellar", [60, 45, 30])
    return begun, closed


def test_every_page_fits_its_screen(browser: Browser, lots: tuple[int, int]) -> None:
    begun, closed = (f"?lot={lot}" for lot in lots)
    for path, words in {
        "": "", f"match{begun}": "", f"lots{begun}": "", f"lots{closed}": "Does the colour hold?", "trend": "Reading it",
        "help": "", "picker": "", "calibrations": "", "set-up": "",
    }.items():  # fmt: skip
        browser.show_in("light")
        browser.go(path)
        browser.wait_text(words)
        browser.check_width()
        assert "Something went wrong" not in browser.text()
        assert not browser.find_all('[data-testid="stException"]')
        assert browser.run(_TOO_SMALL) == [], f"too small to tap on {path or 'start'}"
        for scheme in ("light", "dark") if browser.keeps_pictures else ():
            browser.show_in(scheme, height=3200 if browser.name == "phone" else 2400)
            browser.settle()
            browser.picture(f"{path.split('?')[0] or 'start'}-{scheme}")
    tab = browser.driver.find_element("xpath", "//*[@data-testid='stTab'][contains(., 'References')]")
    assert tab.rect["x"] + tab.rect["width"] <= browser.width, "the tab lies beyond the screen"
    tab.click()
    browser.wait_text("a bottle with a very long name")
    browser.check_width()


@ON_A_PHONE
def test_a_tab_stays_open_when_the_notice_goes(browser: Browser, app_book: LotBook) -> None:
    app_book.stocks.add(f"first of {browser.name}", "E102", 1.0)  # so that the form is folded
    browser.go("set-up")
    browser.tap("summary", "Add a stock")
    box = browser.click("[role=combobox][aria-label='Colourant']")
    box.send_keys("E124\n")
    browser.settle()
    field = browser.find("[aria-label='Name of the stock']")
    field.send_keys(f"second of {browser.name}")
    browser.tap("button", "Add the stock")
    browser.wait_text(f"The stock second of {browser.name} is on the shelf.")
    browser.tap("*[@data-testid='stTab']", "New lot")
    wait_for(lambda: not browser.driver.find_elements("css selector", '[data-testid="stToast"]'), "a toast")
    box = browser.click("[role=combobox][aria-label='Stocks, the main one first']")
    box.send_keys(f"second of {browser.name}\n")
    wait_for(lambda: "is on the shelf" not in browser.text(), "the notice stayed")
    browser.settle()
    assert browser.find('[data-testid="stTab"][aria-selected="true"]').text == "New lot"


@ON_A_PHONE
def test_a_comma_is_kept_and_before_three_digits_says_how_it_was_read(browser: Browser) -> None:
    from selenium.webdriver.common.keys import Keys

    browser.go("set-up")
    browser.tap("*[@data-testid='stTab']", "Strength")
    wanted = "[aria-label='Colour wanted, mg/l']"
    for typed, kept, told in (("12,5", "12.5", False), ("1,500", "1.5", True), ("1500", "1500", False)):
        browser.click(wanted)
        browser.find(wanted).send_keys(Keys.CONTROL, "a")
        browser.find(wanted).send_keys(typed, Keys.TAB)
        wait_for(lambda told=told: ("Read as 1.5." in browser.text()) is told, typed)
        browser.settle()
        assert float(browser.find(wanted).get_attribute("value")) == float(kept)
        browser.check_width()
