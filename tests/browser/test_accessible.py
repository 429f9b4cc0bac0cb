"""Every page, on a phone and on a desk, in light and in dark, before axe-core's rules: nothing serious or critical.

The rules are axe-core's, whose script is not part of this project: .ci/run fetches it, and so does
`pip install --no-deps axe-playwright-python`. Where it is missing these tests are skipped. What the rules cannot judge
is the text in charts, which lies on a picture: it has the quiet ink of page.css, as captions do. Minor findings lie in
Streamlit's own file field (its frame has the role presentation and a label, rule presentation-role-conflict).
"""

from __future__ import annotations

import importlib.util
import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from driving import CHROMIUM, DRIVER, SCREENS, Browsers, ForkedServer, Page, play_example

from colourmatch.book.lot_book import open_book
from colourmatch.workflow.closing import close_lot
from colourmatch.workflow.references import enter_reference

#: Rule and the start of a selector of Streamlit's own parts that may break it; none does at present.
STREAMLITS_OWN: tuple[tuple[str, str], ...] = ()
_RUN = """
const done = arguments[arguments.length - 1];
axe.run(document, { resultTypes: ['violations'], ...arguments[0] })
  .then(result => done(result.violations), fault => done(String(fault)));
"""
#: A colour on its way from light to dark is not one that a person reads.
_NO_FADING = """
const style = document.createElement('style');
style.textContent = '*, *::before, *::after { transition: none !important; animation: none !important; }';
document.head.append(style);
"""


def find_script() -> Path | None:
    """axe-core's script: where .ci/run put it, or in an installed package that carries it."""
    if place := os.environ.get("COLOURMATCH_TEST_AXE"):
        return Path(place)
    package = importlib.util.find_spec("axe_playwright_python")
    script = Path(str(package.origin)).with_name("axe.min.js") if package else None
    return script if script and script.exists() else None


SCRIPT = find_script()
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="chromium and chromedriver are not installed"),
    pytest.mark.skipif(
        SCRIPT is None, reason="axe-core is missing: pip install --no-deps axe-playwright-python"
    ),
]


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[str]]:
    """The addresses of all pages of an app whose book holds something for each."""
    folder = tmp_path_factory.mktemp("accessible")
    with open_book(folder / "book.sqlite") as book:
        lot = play_example(book)
        book.stocks.add("red", "E129", 1.0)
        done = book.lots.begin("a finished aperitif", 900, ["red"], jurisdiction="EU")
        book.additions.add(done.id, "red", drops=12)
        close_lot(book, done.id, "matched", "", sure=True)
        begun = book.lots.begin("a new aperitif", 900, ["red"])
        enter_reference(book, "the bottle on the shelf", [60, 45, 30])
        server = ForkedServer(folder, book.place)
    paths = ("", "set-up", f"match?lot={lot}", f"match?lot={begun.id}", f"match?lot={done.id}", f"lots?lot={lot}", f"lots?lot={done.id}", "trend", "help", "picker",
             "calibrations", "share")  # fmt: skip
    try:
        yield [f"{server.url.rstrip('/')}/{path}" for path in paths]
    finally:
        server.stop()


@pytest.fixture(params=list(SCREENS))
def page(request: pytest.FixtureRequest, browsers: Browsers) -> Iterator[Page]:
    page = Page(browsers.open(), request.param)
    page.height = 6000  # contrast is judged only where the page is in view
    page.show_in("light")
    yield page
    browsers.give_back()


def find_faults(page: Page, where: str, **options: Any) -> list[str]:
    """What the rules call serious or critical, one line an element."""
    assert SCRIPT is not None
    if not page.run("return !!window.axe"):
        page.run(SCRIPT.read_text("utf-8"))
    found = page.driver.execute_async_script(_RUN, options)
    assert isinstance(found, list), found
    return [
        f"{where}: {rule['id']} ({rule['help']}) at {node['target']}: {node['html'][:120]}"
        for rule in found
        if rule["impact"] in ("serious", "critical")
        for node in rule["nodes"]
        if not any(rule["id"] == own and str(node["target"][0]).startswith(at) for own, at in STREAMLITS_OWN)
    ]


@pytest.mark.parametrize("page", ["phone"], indirect=True)
def test_the_rules_find_a_planted_fault(page: Page, pages: list[str]) -> None:
    page.go(pages[0])
    page.run(
        "const p = document.createElement('p'); p.textContent = 'pale'; p.style.color = '#ccc';"
        "p.style.background = '#fff'; document.querySelector('[data-testid=stMainBlockContainer] h1').after(p);"
        "document.querySelector('.stButton button').replaceChildren();"
    )
    rules = {line.split(": ", 1)[1].split(" ")[0] for line in find_faults(page, "start")}
    assert {"color-contrast", "button-name"} <= rules


def test_no_page_has_a_serious_fault(page: Page, pages: list[str]) -> None:
    faults = []
    for address in pages:
        page.show_in("light")
        page.go(address)
        page.run(_NO_FADING)
        for number in range(max(1, len(page.find_all('[data-testid="stTab"]')))):
            if number:
                page.find_all('[data-testid="stTab"]')[number].click()
                page.settle()
            page.run("document.querySelectorAll('details:not([open]) > summary').forEach(one => one.click())")
            page.settle()
            where = f"{page.name} {address.split('/', 3)[3] or 'start'} {number or ''}"
            faults += find_faults(page, f"{where} light")
            if page.name == "phone":  # the colours are those of the desk
                page.show_in("dark")
                time.sleep(0.5)
                faults += find_faults(page, f"{where} dark", runOnly=["color-contrast", "link-in-text-block"])
                page.show_in("light")
                time.sleep(0.2)
    assert faults == []
