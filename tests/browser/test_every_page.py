"""Every page is visited once, on a phone and then on a desk, and held to all that every page must keep.

Its words, on a phone with its folds closed, are held to half of what they were before Match was one answer. It fits its
screen, what is tapped is large enough, what people named is text and no markup, pictures are of our own making, a decimal
comma is taken in every field that takes a fraction, and the app's log holds nothing of it. Where axe-core is installed
its rules find nothing serious or critical, on either screen, in light and in dark; .ci/run fetches its script, and so does
`pip install --no-deps axe-playwright-python`. What the rules cannot judge is the text in charts, which lies on a picture:
it has the quiet ink of page.css, as captions do. Minor findings lie in Streamlit's own file field (its frame has the role
presentation and a label, rule presentation-role-conflict).
"""

import importlib.util
import os
import re
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from driving import SCREENS, Browsers, Page, wait_for
from selenium.webdriver.common.keys import Keys

from colourmatch.book.lot_book import LotBook
from colourmatch.workflow.closing import close_lot
from colourmatch.workflow.lot import record_photos
from colourmatch.workflow.references import enter_reference

#: One word, and long: it must be shown as it was typed, and broken where the screen ends.
EVIL = '<img/src="x"onerror=document.cmHit=1><script>document.cmHit=2</script>[a](javascript:1)$x$'
#: Page -> the most words, and the least fields that take a fraction. Of the lots the rows were a picture once, whose words
#: nobody could count.
PAGES = {
    "": (106, 0), "match?lot=1": (60, 12), "match?lot=2": (60, 0), "lots": (32, 0), "lots?lot=1": (199, 0), "lots?lot=2": (265, 0),
    "trend": (37, 0), "set-up": (50, 2), "set-up?part=New+lot": (75, 5), "set-up?part=References": (85, 2),
    "set-up?part=Drops": (28, 1), "set-up?part=Strength": (71, 4), "help": (130, 0), "help?page=ways": (130, 0),
    "help?page=method": (130, 0), "help?page=care": (130, 0), "help?page=reference": (130, 0),
    "help?page=installation": (26, 0), "picker": (37, 0), "calibrations": (55, 1), "share": (44, 0),
}  # fmt: skip
#: Fields that count whole things.
WHOLE = ("Drops", "Page")
#: Nothing of it may stand in the app's log.
SECRETS = ("onerror", "lot=", "upload_file", "_stcore", "Cookie", "/match")
#: What can be read: names of icons, the menu, what lies under a closed fold or is there for readers aloud are left out.
_READ = """
const seen = [], page = document.querySelector('[data-testid=stMainBlockContainer]');
const walk = document.createTreeWalker(page, NodeFilter.SHOW_TEXT);
const hides = one => !!one && one !== page && (one.clientWidth === 1 && one.clientHeight === 1 || hides(one.parentElement));
while (walk.nextNode()) {
  const text = walk.currentNode.textContent.trim(), holder = walk.currentNode.parentElement;
  if (!text || holder.closest('script, style, .st-key-cm-menu, [data-testid=stIconMaterial]')) continue;
  if (!holder.checkVisibility() || hides(holder)) continue;
  const range = document.createRange();
  range.selectNodeContents(walk.currentNode);
  if ([...range.getClientRects()].some(box => box.width > 1 && box.height > 1)) seen.push(text);
}
return seen.join(' ');
"""
_TOO_SMALL = """
return [...document.querySelectorAll('[data-testid=stMainBlockContainer] :is(button, summary), [data-testid=stPageLink] a')]
  .filter(e => e.tagName === 'SUMMARY' || !e.closest('details:not([open])'))
  .map(e => [e.getBoundingClientRect(), e.innerText || e.ariaLabel])
  .filter(([r]) => r.width > 0 && (r.height < 43.5 || r.width < 31))
  .map(([r, text]) => `${text} ${r.width} x ${r.height}`);
"""
_HIT = """
return !!document.cmHit || !!document.querySelector('img[src="x"], a[href^="javascript"], [onerror], [onload]');
"""
_MEDIA = "return [...document.images].map(one => one.src).filter(src => src.includes('/media/'));"
_UNFOLD = "document.querySelectorAll('details:not([open]) > summary').forEach(one => one.click());"
#: The number fields that are seen.
_NUMBERS = "[...document.querySelectorAll('input[type=number]')].filter(one => one.checkVisibility())"


@pytest.fixture(scope="module")
def filled(book: LotBook, photos: list[Path]) -> LotBook:
    """Two stocks, an open lot of three photos and a closed one; all that a person names is called as evilly as can be."""
    red = book.stocks.add(f"red{EVIL}", "E129", 1.0, notes=EVIL).name
    book.stocks.add("yellow", "E102", 0.5)
    enter_reference(book, f"bottle{EVIL}", [60, 45, 30])
    for number in (1, 2):
        lot = book.lots.begin(f"lot{EVIL}", 900, [red], number=f"N{number}{EVIL}", notes=EVIL, ceiling_mg_per_l=60, jurisdiction="EU")  # fmt: skip
        assert lot.id == number
        for drops, photo, name in zip((5.4, 7.2, 0), photos, (f"../../{EVIL}.html", "x\r\nSet-Cookie: a=1.jpg", "c.jpg"), strict=False):  # fmt: skip
            record_photos(book, number, [(photo.read_bytes(), name)], entered_by=EVIL)
            if drops:
                book.additions.add(number, red, drops=drops, entered_by=EVIL)
    close_lot(book, 2, "matched", EVIL, sure=True)
    return book


@pytest.fixture(scope="module")
def page(browsers: Browsers) -> Iterator[Page]:
    yield Page(browsers.open(), "phone")
    browsers.give_back()


@pytest.mark.parametrize("path", PAGES)
def test_a_page_keeps_what_every_page_must(app, filled, page, path):
    (most_words, least_fields), tried = PAGES[path], dict[str, str]()
    server = app()
    page.resize("phone")
    page.go(f"{server.url.rstrip('/')}/{path}")
    text = page.run(_READ)
    assert 10 < sum(bool(re.search("[a-z0-9]", word, re.I)) for word in text.split()) <= most_words, text
    # each tab of set-up has a path
    tabs = [] if path.startswith("set-up") else page.find_all('[data-testid="stTab"]')
    for tab in tabs or [None]:
        if tab:
            tab.click()
        for screen in SCREENS:
            page.resize(screen)
            page.settle()
            check_screen(page)
        page.run(_UNFOLD)
        page.settle()
        tried |= try_commas(page)
        assert not page.run(_HIT) and not page.complaints()
        check_rules(page)
    assert len(tried) >= least_fields and set(tried.values()) <= {"12.5"}, tried
    if path == "match?lot=1":
        assert "onerror" in page.text(), "the name is not shown as it was typed"
        media = page.run(_MEDIA)
        assert media
        for address in media:
            check_medium(address)
    told = server.log.read_text() + (server.folder / "said.txt").read_text()
    assert not [secret for secret in SECRETS if secret in told], told


def test_a_trend_with_its_charts_and_a_lot_without_a_photo_fit_their_screens(app, filled, page):
    for number in range(4):
        lot_id = filled.lots.begin(f"lot {number}", 900, "yellow").id
        filled.photos.add(lot_id, filled.lots.story(2).photos[-1].measurement)
        filled.lots.close(lot_id, "matched")
    begun = filled.lots.begin("begun", 900, "yellow").id
    for path, words in (("trend", "Reading it"), (f"match?lot={begun}", "Lay the card")):
        page.go(f"{app().url}/{path}")
        for screen in SCREENS:
            page.resize(screen)
            page.wait_text(words)
            page.settle()
            check_screen(page)
        check_rules(page)


def check_screen(page: Page) -> None:
    """Nothing is wider than the screen, and nothing that is tapped too small for a thumb."""
    assert "Something went wrong" not in page.text() and not page.find_all('[data-testid="stException"]')
    assert page.run(_TOO_SMALL) == []
    page.pictures(re.sub(r"\W+", "-", page.driver.current_url.split("/", 3)[3]) or "start")


def check_medium(address: str) -> None:
    """A picture of our own making: named by its content, typed as a picture, and nothing it holds can run."""
    name = address.rpartition("/")[2]
    stem, _, ending = name.partition(".")
    assert len(stem) >= 32 and set(stem) <= set("0123456789abcdef") and ending in ("jpg", "jpeg", "png")
    with urllib.request.urlopen(address, timeout=600) as reply:
        assert reply.headers["content-type"] in ("image/jpeg", "image/png")
        assert reply.headers["content-security-policy"].startswith("sandbox; default-src 'none'")
        assert reply.headers["x-content-type-options"] == "nosniff"


def try_commas(page: Page) -> dict[str, str]:
    """What each field that takes a fraction holds after 12,5 was typed into it; it is given back what it held."""
    tried: dict[str, str] = {}
    for place, label in enumerate(page.run(f"return {_NUMBERS}.map(one => one.ariaLabel)")):
        if label in WHOLE or label in tried:
            continue
        field = page.run(f"return {_NUMBERS}[arguments[0]]", place)  # what was typed draws some again
        before = field.get_attribute("value")
        field.send_keys(Keys.CONTROL, "a")
        field.send_keys("12,5")
        tried[label] = field.get_attribute("value")
        field.send_keys(Keys.CONTROL, "a")
        field.send_keys(before or Keys.DELETE)
    return tried


def test_a_comma_before_three_digits_says_how_it_was_read(app, filled, page):
    page.resize("phone")
    page.go(f"{app().url}/set-up?part=Strength")
    wanted = "[aria-label='Colour wanted, mg/l']"
    for typed, kept, told in (("1,500", 1.5, True), ("1500", 1500, False)):
        page.click(wanted).send_keys(Keys.CONTROL, "a")
        page.find(wanted).send_keys(typed, Keys.TAB)
        wait_for(lambda told=told: ("Read as 1.5." in page.text()) is told, typed)
        page.settle()
        assert float(page.find(wanted).get_attribute("value")) == kept
    page.pictures("read-as")


_RULES = """
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


def find_faults(page: Page, **options: Any) -> list[str]:
    """What the rules call serious or critical, one line an element."""
    assert SCRIPT is not None
    if not page.run("return !!window.axe"):
        page.run(SCRIPT.read_text("utf-8"))
        page.run(_NO_FADING)
    found = page.driver.execute_async_script(_RULES, options)
    assert isinstance(found, list), found
    grave = [rule for rule in found if rule["impact"] in ("serious", "critical")]
    nodes = ((f"{rule['id']} ({rule['help']})", node) for rule in grave for node in rule["nodes"])
    return [f"{rule} at {node['target']}: {node['html'][:120]}" for rule, node in nodes]


def check_rules(page: Page) -> None:
    """The page with its folds open, on either screen; the colours are the same on both."""
    if SCRIPT is None:
        return
    page.run(_UNFOLD)
    for screen in SCREENS:
        page.resize(screen)
        page.show_in("light", 6000)  # contrast is judged only where the page is in view
        page.settle()
        assert find_faults(page) == []
    page.show_in("dark", 6000)
    time.sleep(0.5)
    assert find_faults(page, runOnly=["color-contrast", "link-in-text-block"]) == []
    page.show_in("light")


@pytest.mark.skipif(SCRIPT is None, reason="axe-core is missing: pip install --no-deps axe-playwright-python")
def test_the_rules_find_a_planted_fault(app, filled, page):
    page.go(app().url)
    page.run(
        "const p = document.createElement('p'); p.textContent = 'pale'; p.style.color = '#ccc';"
        "p.style.background = '#fff'; document.querySelector('[data-testid=stMainBlockContainer] h1').after(p);"
        "document.querySelector('.stButton button').replaceChildren();"
    )
    assert {"color-contrast", "button-name"} <= {line.split(" ")[0] for line in find_faults(page)}
