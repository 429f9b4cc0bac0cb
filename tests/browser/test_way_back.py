"""What was just entered is taken back with one tap, in sight where the page stands after the entry."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from driving import CHROMIUM, DRIVER, Page, Server, wait_for

from colourmatch.book.lot_book import LotBook
from colourmatch.workflow.lot import record_photos

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="chromium and chromedriver are not installed"),
]


@pytest.fixture
def book(shared_book: LotBook) -> LotBook:
    return shared_book


@pytest.fixture
def serve(shared_app: Callable[[], Server]) -> Callable[[], Server]:
    return shared_app


def find_undo(page: Page) -> list[Any]:
    return [button for button in page.find_all(".st-key-cm-bar button") if "Undo" in button.text]


def test_an_entry_from_far_down_the_page_is_taken_back_at_its_message(
    serve: Callable[..., Server],
    browse: Callable[[str], Page],
    book: LotBook,
    photos: list[Path],
) -> None:
    lot_id = book.lots.begin("aperitif", 900, ["red"], ceiling_mg_per_l=30).id
    record_photos(book, lot_id, [photos[0]])
    server, page = serve(), browse("phone")
    page.go(f"{server.url}/match?lot={lot_id}")
    page.unfold()
    page.tap("summary", "Another amount went in")
    page.settle()
    page.tap("button", "Write it down")
    page.wait_text("written. Undo")
    page.settle()
    wait_for(
        lambda: page.run("return document.querySelector('[data-testid=stMain]').scrollTop") == 0, "not up"
    )
    (button,) = find_undo(page)
    assert not page.find_all('[data-testid="stAlert"], [data-testid="stToast"]')
    assert button.rect["y"] + button.rect["height"] <= page.height and button.rect["height"] >= 43.5
    page.pictures("undo")
    page.driver.refresh()  # offered after a reload too
    page.settle()
    page.tap("button", "Undo")
    page.wait_text("Taken back: ")
    page.settle()
    assert book.lots.story(lot_id).additions == () and not find_undo(page)
    assert page.find_all(".cm-answer.add") and not page.complaints()
