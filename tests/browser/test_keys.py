"""The way from an empty book to the drops with keys alone, and a decimal comma in every field that takes a fraction."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from driving import CHROMIUM, DRIVER, Page, Server, play_example, press, tab_to

from colourmatch.book.lot_book import LotBook

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="chromium and chromedriver are not installed"),
]
#: Fields that count whole things.
WHOLE = ("Drops", "Page")
#: The number fields that are seen.
_NUMBERS = "[...document.querySelectorAll('input[type=number]')].filter(one => one.checkVisibility())"


@pytest.mark.parametrize("name", ["phone"])  # keys come by in the same order at either width
def test_from_an_empty_book_to_the_drops_with_keys_alone(
    serve: Callable[..., Server], browse: Callable[[str], Page], book: LotBook, photos: list[Path], name: str
) -> None:
    from selenium.webdriver.common.keys import Keys

    page = browse(name)
    page.go(serve().url)
    tab_to(page, "Set up a stock and a lot")
    press(page, Keys.ENTER)
    page.wait_text("No stock yet.")
    page.settle()
    tab_to(page, "Colourant")
    press(page, "E129", Keys.ENTER)
    page.settle()
    tab_to(page, "Name of the stock")
    press(page, "red")
    tab_to(page, "Add the stock")
    press(page, Keys.ENTER)
    page.wait_text("The stock red is on the shelf.")
    page.settle()
    page.run("document.activeElement.blur()")
    tab_to(page, "Stocks")
    press(page, Keys.ARROW_RIGHT, Keys.ENTER)
    page.settle()
    tab_to(page, "Name of the lot")
    press(page, "cordial")
    tab_to(page, "Batch, ml")
    press(page, "900")
    tab_to(page, "Begin the lot")
    press(page, Keys.ENTER)
    page.find(".cm-answer.photo")
    page.settle()
    tab_to(page, "Upload")  # as it is read aloud; what is seen on it is "Photograph"
    page.upload(
        photos[0]
    )  # what follows the key is the system's own choice of files, which no test can drive
    page.find(".cm-answer.add")
    page.settle()
    tab_to(page, "Added")
    press(page, Keys.ENTER)
    page.find(".cm-answer.photo")
    page.wait_text("written. Undo")
    (lot,) = book.lots.search()
    assert (lot.name, lot.volume_ml) == ("cordial", 900)
    assert len(book.lots.story(lot.id).additions) == 1


def test_a_comma_is_taken_in_every_field_that_takes_a_fraction(
    serve: Callable[..., Server], browse: Callable[[str], Page], book: LotBook
) -> None:
    from selenium.webdriver.common.keys import Keys

    lot, server, page = play_example(book), serve(), browse("desk")
    tried: dict[str, Any] = {}
    for path in ("set-up", f"match?lot={lot}", "calibrations"):
        page.go(f"{server.url.rstrip('/')}/{path}")
        for number in range(max(1, len(page.find_all('[data-testid="stTab"]')))):
            if number:
                page.find_all('[data-testid="stTab"]')[number].click()
                page.settle()
            page.run("document.querySelectorAll('details:not([open]) > summary').forEach(one => one.click())")
            page.settle()
            for place, label in enumerate(page.run(f"return {_NUMBERS}.map(one => one.ariaLabel)")):
                if label in WHOLE or (path, label) in tried:
                    continue
                field = page.run(f"return {_NUMBERS}[arguments[0]]", place)  # what was typed draws some again
                before = field.get_attribute("value")
                field.send_keys(Keys.CONTROL, "a")
                field.send_keys("12,5")
                tried[path, label] = field.get_attribute("value")
                field.send_keys(Keys.CONTROL, "a")
                field.send_keys(before or Keys.DELETE)
    assert len(tried) >= 20
    assert {key: value for key, value in tried.items() if value != "12.5"} == {}
