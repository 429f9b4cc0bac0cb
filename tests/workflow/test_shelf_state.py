"""What is said of bottles on a day: old, nearly empty, and whose batch is in a lot."""

from dataclasses import replace
from datetime import date

import pytest

from colourmatch.book.lot_book import LotBook
from colourmatch.liquid.colourants import custom_colourant
from colourmatch.workflow.describing import describe_lot
from colourmatch.workflow.shelf_state import describe_bottles, see_in_water, trace_batch


def codes(book: LotBook, on: date) -> list[str]:
    red = book.stocks.get("red")
    return [one.code for one in describe_bottles(book, [red], on)[red.id].warnings]


def test_old_and_nearly_empty_bottles_are_warned_of(book):
    book.stocks.add("red", "E129", 1.0, bottle={"use_by": "2027-05-01", "amount_ml": 10})
    assert codes(book, date(2027, 4, 10)) == []
    assert codes(book, date(2027, 5, 1)) == ["bottle-old-soon"]
    assert codes(book, date(2027, 5, 2)) == ["bottle-old"]
    lot = book.lots.begin("A", 1000, ["red"]).id
    book.additions.add(lot, "red", ml=7.1)  # less than 60 drops are left
    assert codes(book, date(2027, 4, 10)) == ["bottle-empty"]


def test_a_lot_names_the_batches_that_are_in_it(book):
    book.stocks.add("red", "E129", 1.0, bottle={"supplier": "A supplier", "supplier_batch": "K-1207"})
    book.stocks.dilute("red", 10, "thin")
    lot = book.lots.begin("A", 1000, ["red"]).id
    book.additions.add(lot, "thin", ml=2)
    (bottle,) = describe_lot(book, lot)["bottles"]
    assert (bottle["stock"], bottle["supplier_batch"], bottle["ml"]) == ("thin", "K-1207", 2)
    told = trace_batch(book, "k-1207")
    assert [one.lot for one in told.lots] == [lot] and told.batch == "K-1207"


def test_a_stock_is_seen_in_water_as_photos_showed_it(book):
    red = book.stocks.add("red", "E129", 0.5)
    # 40 drops of 0.05 ml with 5 mg/ml are 10 mg/l: the published line of liquid/model.py
    assert see_in_water(red) == pytest.approx([75.7, 55.3, 19.6], abs=0.05)
    stronger = see_in_water(replace(red, strength_factor=1.5, learnt_from_lot_id=1))
    assert stronger is not None and stronger[0] < 75
    code = custom_colourant("supermarket red", "E129", 540).e_number
    bottle = book.stocks.add("supermarket red", code, 0.5)
    assert see_in_water(bottle) is None
    assert see_in_water(replace(bottle, learnt_from_lot_id=1)) == pytest.approx([75.7, 55.3, 19.6], abs=0.05)
