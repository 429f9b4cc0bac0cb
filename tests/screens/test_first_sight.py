"""What stands first on a page: the act that comes next, within reach of a wet thumb."""

from __future__ import annotations

from test_pages import open_app

from colourmatch.book.lot_book import LotBook


def test_one_act_is_the_first_of_a_page(book: LotBook) -> None:
    def primary() -> list[str]:
        return [b.key for b in open_app().button if b.proto.type == "primary"]

    assert primary() == ["to-set-up"]
    book.stocks.add("red", "E129", 1.0)
    book.lots.begin("bitter aperitif", 900, ["red"])
    newest = book.lots.begin("cordial", 900, ["red"]).id
    assert primary() == [f"go-on-{newest}"]
