"""What stands first on a page: the act that comes next, within reach of a wet thumb."""

from __future__ import annotations

from pathlib import Path

from streamlit.testing.v1 import AppTest
from test_pages import open_app

from colourmatch.book.lot_book import LotBook
from colourmatch.workflow.lot import record_photos


def order_of(app: AppTest, *marks: str) -> list[int]:
    """Where the first element with each of the marks stands on the page: a key's beginning, or a part of its HTML."""
    nodes = list(app.main)
    found = []
    for mark in marks:
        fits = (
            k
            for k, node in enumerate(nodes)
            if str(getattr(node, "key", None) or "").startswith(mark)
            or mark in str(getattr(getattr(node, "proto", None), "body", ""))
        )
        found.append(next(fits))
    return found


def test_the_button_to_tap_stands_under_the_advice_and_before_the_numbers(
    book: LotBook, photos: list[Path]
) -> None:
    book.stocks.add("red", "E129", 1.0)
    lot_id = book.lots.begin("bitter aperitif", 900, ["red"], ceiling_mg_per_l=30).id
    record_photos(book, lot_id, [photos[0]])
    places = order_of(open_app("match", lot=str(lot_id)), "cm-answer", "dose-", "How far", "upload-")
    assert places == sorted(places)
    advised = book.lots.story(lot_id).photos[-1].advice["doses"][0]["drops"]
    book.additions.add(lot_id, "red", drops=advised)  # the numbers are those of the batch before
    places = order_of(open_app("match", lot=str(lot_id)), "cm-answer", "upload-", "How far")
    assert places == sorted(places)


def test_one_act_is_the_first_of_a_page(book: LotBook) -> None:
    def primary() -> list[str]:
        return [b.key for b in open_app().button if b.proto.type == "primary"]

    assert primary() == ["to-set-up"]
    book.stocks.add("red", "E129", 1.0)
    book.lots.begin("bitter aperitif", 900, ["red"])
    newest = book.lots.begin("cordial", 900, ["red"]).id
    assert primary() == [f"go-on-{newest}"]
