"""The words of every page on a phone with its folds closed, held to half of what they were before Match was one answer."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from driving import CHROMIUM, DRIVER, Browsers, ForkedServer, Page

from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.workflow.closing import close_lot
from colourmatch.workflow.lot import record_photos

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="chromium and chromedriver are not installed"),
]
#: Page -> the most words. Of the lots the rows were a picture once, whose words nobody could count.
MOST_WORDS = {
    "": 106, "match?lot=1": 60, "match?lot=2": 60, "lots": 32, "lots?lot=1": 199, "lots?lot=2": 265, "trend": 37,
    "set-up": 50, "set-up?part=New+lot": 75, "set-up?part=References": 75, "set-up?part=Drops": 28,
    "set-up?part=Strength": 71, "help": 130, "help?page=ways": 130, "help?page=method": 130, "help?page=care": 130,
    "help?page=reference": 130, "help?page=installation": 26, "picker": 37, "calibrations": 55, "share": 44,
}  # fmt: skip
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


def play(book: LotBook, photos: list[Path]) -> int:
    """A lot with its photos, and between them the drops that they show."""
    lot_id = book.lots.begin("Kitchen red cordial", 900, ["red"], ceiling_mg_per_l=60, jurisdiction="EU").id
    for number, photo in enumerate(photos):
        if number:
            book.additions.add(lot_id, "red", drops=(5.4, 7.2)[number - 1])
        record_photos(book, lot_id, [photo])
    return lot_id


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory, photos: list[Path]) -> Iterator[str]:
    """An app whose book holds two stocks, an open lot of three photos and a closed one."""
    folder = tmp_path_factory.mktemp("words")
    with open_book(folder / "book.sqlite") as book:
        book.stocks.add("red", "E129", 1.0)
        book.stocks.add("yellow", "E102", 0.5)
        assert play(book, photos) == 1
        close_lot(book, play(book, photos), "matched", "", sure=True)
        server = ForkedServer(folder, book.place)
    yield server.url.rstrip("/")
    server.stop()


def test_each_page_says_it_in_half_the_words(address: str, browsers: Browsers) -> None:
    page, found = Page(browsers.open(), "phone"), {}
    try:
        for path, most in MOST_WORDS.items():
            page.go(f"{address}/{path}")
            text = page.run(_READ)
            count = sum(bool(re.search("[a-z0-9]", word, re.I)) for word in text.split())
            assert count > 10, f"{path}: nothing was read"
            if count > most:
                found[path] = (count, most, text)
    finally:
        browsers.give_back()
    assert found == {}
