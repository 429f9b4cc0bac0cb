"""What is said of bottles on a day: old, nearly empty, and whose batch is in a lot."""

from datetime import date

from colourmatch.book.lot_book import LotBook
from colourmatch.workflow.describing import describe_lot
from colourmatch.workflow.shelf_state import describe_bottles, trace_batch


def codes(book: LotBook, on: date) -> list[str]:
    red = book.stocks.get("red")
    return [one["code"] for one in describe_bottles(book, [red], on)[red.id]["warnings"]]


def test_old_and_nearly_empty_bottles_are_warned_of(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0, bottle={"use_by": "2027-05-01", "amount_ml": 10})
    assert codes(book, date(2027, 4, 10)) == []
    assert codes(book, date(2027, 5, 1)) == ["bottle-old-soon"] and codes(book, date(2027, 5, 2)) == [
        "bottle-old"
    ]
    lot = book.lots.begin("A", 1000, ["red"]).id
    book.additions.add(lot, "red", ml=7.1)  # less than 60 drops are left
    assert codes(book, date(2027, 4, 10)) == ["bottle-empty"]


def test_a_lot_names_the_batches_that_are_in_it(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0, bottle={"supplier": "A supplier", "supplier_batch": "K-1207"})
    book.stocks.dilute("red", 10, "thin")
    lot = book.lots.begin("A", 1000, ["red"]).id
    book.additions.add(lot, "thin", ml=2)
    (bottle,) = describe_lot(book, lot)["bottles"]
    assert (bottle["stock"], bottle["supplier_batch"], bottle["ml"]) == ("thin", "K-1207", 2)
    told = trace_batch(book, "k-1207")
    assert [one["lot"] for one in told["lots"]] == [lot] and told["batch"] == "K-1207"
