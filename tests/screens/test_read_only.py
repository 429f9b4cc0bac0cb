"""The app on a book that may only be read: everything can be looked at, nothing is offered that would be refused."""

import pytest
from visiting import PAGES, open_app, shown

from colourmatch.book import lot_book
from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.screens.lots import make_table

#: Buttons that only look, lead somewhere, or save a file on the visitor's own machine.
LOOKING = {
    "Colour card, A4", "Colour card, Letter", "Grey card, A4", "Grey card, Letter", "Compare on any photo", "To the start, with the example lot", "To the lots",
    "bitter aperitif (L1), 900 ml", "Lot sheet (PDF)", "Labels (PDF)", "A row a lot (CSV)", "A row an entry (CSV)",
    "Open it under Match", "Whole photo", "All lots", "Open bitter aperitif (L1)",
}  # fmt: skip


@pytest.fixture
def dosed(book: LotBook, measured: int) -> int:
    """A lot with a photo and an addition."""
    book.additions.add(measured, "red", drops=3)
    return measured


@pytest.fixture
def locked(monkeypatch: pytest.MonkeyPatch) -> None:
    """No file and no folder may be written; laid down in the program, because root may write everywhere."""
    monkeypatch.setattr(lot_book, "may_write", lambda path: False)


def offered(app: object) -> set[str]:
    return {one.label.replace("\\", "") for kind in ("button", "download_button") for one in app.get(kind)}


@pytest.mark.parametrize("page", PAGES)
def test_every_page_opens_on_a_book_that_may_only_be_read(book, dosed, locked, page):
    app = open_app(page, dosed)
    assert not app.error
    (told,) = [one.value for one in app.info]
    assert "may only be read here: nothing can be entered" in told.replace("\\", "")
    assert offered(app) <= LOOKING


def test_lots_sheets_and_tables_are_there(book, dosed, locked):
    app, match = open_app("lots", dosed), open_app("match", dosed)
    assert {"Lot sheet (PDF)", "Labels (PDF)"} <= offered(app) and "3 drops of red" in shown(app)
    assert "How far" in shown(match) and not match.get("file_uploader")
    assert {"A row a lot (CSV)", "A row an entry (CSV)"} <= offered(open_app("lots")) <= LOOKING
    lots, entries = (make_table(rows).decode("utf-8-sig").splitlines() for rows in ("lots", "entries"))
    assert len(lots) == 2 and "bitter aperitif" in lots[1]
    assert [line.split(",")[5] for line in entries[1:]] == ["photo", "addition"]


def test_what_is_written_elsewhere_is_seen_and_later_entries_are_taken(book, dosed, locked, monkeypatch):
    assert "4 drops of red" not in shown(open_app("lots", dosed))
    book.close()
    with monkeypatch.context() as unlocked:
        unlocked.setattr(lot_book, "may_write", lambda path: True)
        with open_book(book.place) as other:
            other.additions.add(dosed, "red", drops=4)
    assert "4 drops of red" in shown(open_app("lots", dosed))
    monkeypatch.undo()
    monkeypatch.setenv("COLOURMATCH_BOOK", book.place)
    app = open_app("match", dosed)
    assert not app.info and app.get("file_uploader")
