"""A first photo of liquids that are too strong for the camera asks for water, once."""

from __future__ import annotations

from functools import cache

import pytest

from colourmatch.book.lot_book import LotBook
from colourmatch.simulate.kitchen import Kitchen, take_photo
from colourmatch.workflow.lot import advise_lot, record_photos

draw = cache(take_photo)


@pytest.fixture
def lot(book: LotBook) -> int:
    book.stocks.add("red", "E129", 1.0)
    return book.lots.begin("cordial", 900, ["red"], ceiling_mg_per_l=60).id


def shoot(book: LotBook, lot: int, number: int, dilution: float) -> dict:
    photo = draw(Kitchen(), number, dilution=dilution), f"{number}.jpg"
    return record_photos(book, lot, [photo], view={"dilution": dilution})[0]["advice"]


def test_water_is_asked_for_and_then_the_drops_are_told(book: LotBook, lot: int) -> None:
    asked = shoot(book, lot, 1, 1.0)
    assert (asked["action"], asked["reason"], asked["doses"]) == ("rephotograph", "photo", [])
    assert "1+3 with water" in asked["text"] and "made up to 4 in all" in asked["text"]
    assert advise_lot(book, lot).to_json()["text"] == asked["text"]
    assert shoot(book, lot, 2, 4.0)["action"] == "add"


def test_who_cannot_thin_is_not_asked_again(book: LotBook, lot: int) -> None:
    assert shoot(book, lot, 1, 1.0)["action"] == "rephotograph"
    assert shoot(book, lot, 2, 1.0)["action"] == "add"


def test_equal_parts_of_water_can_be_too_little(book: LotBook, lot: int) -> None:
    """No channel is empty, and the interval of the whole dose is twice as wide as with more water."""
    asked = shoot(book, lot, 1, 2.0)
    assert asked["action"] == "rephotograph" and "made up to 6 in all" in asked["text"]


def test_after_a_drop_and_for_a_noted_colour_it_is_not_asked(book: LotBook, lot: int) -> None:
    book.additions.add(lot, "red", drops=5)
    noted = book.lots.begin("shrub", 900, ["red"], target_lab=(60, 45, 30)).id
    for one in (lot, noted):
        assert "with water" not in shoot(book, one, 1, 1.0)["text"]
