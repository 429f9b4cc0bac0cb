"""References: readings over time, their drift, and which one a lot is tinted to."""

from __future__ import annotations

from pathlib import Path

import pytest

from colourmatch.errors import InputError, NotFoundError
from colourmatch.lots.book import LotBook
from colourmatch.lots.references import (
    choose_reading,
    enter_reference,
    read_reference,
    record_reference,
    target_from_lot,
)

VIEW = {"depth_mm": 10.0, "dilution": 5.0}


@pytest.fixture
def bottle(book: LotBook) -> int:
    """A reference that was read twice at the lot's view, with a small spread, and once at another."""
    reference = book.add_reference("The bottle").id
    for lab, dilution in (((60, 40, 30), 5.0), ((62, 36, 30), 5.0), ((30, 50, 40), 1.0)):
        book.add_reference_reading(reference, lab, depth_mm=10, dilution=dilution, lab_sd=(0.3, 0.3, 0.3))
    return reference


def test_entered_readings_are_each_held_against_the_first(book: LotBook, bottle: int) -> None:
    told = read_reference(book, "the bottle")
    first, second, other = told["readings"]
    assert (told["reference"], first["source"], first["drift"]) == (bottle, "entered", None)
    drift = second["drift"]
    assert second["against"] == first["reading"] and drift["low"] < 2.8 < drift["high"]
    assert other["drift"] is None  # another dilution: nothing to compare with
    assert told["text"].startswith("The reference has turned") and "less red" in told["text"]


def test_a_spread_as_wide_as_a_phones_shows_no_drift(book: LotBook) -> None:
    for lab in ((60, 40, 30), (62, 36, 30)):
        told = enter_reference(book, "Bottle", lab, lab_sd=(2.5, 5, 4))
    assert told["readings"][1]["drift"]["low"] == 0 and "No drift is seen" in told["text"]
    assert len(book.list_references()) == 1


@pytest.mark.parametrize(
    ("which", "lab", "sd"),
    [("first", [60, 40, 30], 0.3), ("latest", [62, 36, 30], 0.3), ("mean", [61, 38, 30], 0.3)],
)
def test_a_lot_is_tinted_to_the_reading_chosen(
    book: LotBook, lot: int, bottle: int, which: str, lab: list[float], sd: float
) -> None:
    chosen = choose_reading(book, lot, "The bottle", which)
    assert chosen["target_lab"] == lab and chosen["target_lab_sd"] == [sd] * 3
    head = book.find_lot(lot)
    assert (head.reference_id, head.target_lab) == (bottle, tuple(lab))


def test_a_reading_is_chosen_by_its_id_and_refused_for_another_view(
    book: LotBook, lot: int, bottle: int
) -> None:
    ids = [reading.id for reading in book.reference_readings(bottle)]
    assert choose_reading(book, lot, bottle, ids[0])["readings"] == [ids[0]]
    with pytest.raises(InputError, match="10 mm and dilution 1"):
        choose_reading(book, lot, bottle, ids[2])
    with pytest.raises(NotFoundError, match="no reading 99"):
        choose_reading(book, lot, bottle, 99)
    empty = book.add_reference("Empty").id
    with pytest.raises(InputError, match="has no reading at a depth of 10 mm and a dilution of 5"):
        choose_reading(book, lot, empty)
    book.close_lot(lot, "given up")
    with pytest.raises(InputError, match="is closed"):
        choose_reading(book, lot, bottle)


def test_an_amended_reference_must_exist(book: LotBook, lot: int, bottle: int) -> None:
    book.amend_lot(lot, "another bottle", reference_id="The bottle")
    assert book.find_lot(lot).reference_id == bottle
    with pytest.raises(NotFoundError, match="no reference 77"):
        book.amend_lot(lot, "typo", reference_id=77)
    book.amend_lot(lot, "none after all", reference_id=None)
    assert book.find_lot(lot).reference_id is None


def test_an_own_lot_becomes_a_target_once(book: LotBook, lot: int) -> None:
    with pytest.raises(InputError, match="its colour is not known"):
        target_from_lot(book, lot)
    spot = {"lab": [76.1, 45.2, 31.3], "lab_sd": [2.5, 5.0, 4.0], "lab_covariance": [[0.1, 0, 0]] * 3}
    book.add_photo(lot, {"spots": {"batch": spot}})
    book.close_lot(lot, "matched")
    following = book.new_lot("Aperitif", 900, "red", dilution=5, number="B2").id
    told = target_from_lot(book, lot, following)
    assert (told["lab"], told["lab_sd"], told["lot"]) == (spot["lab"], spot["lab_sd"], following)
    head = book.find_lot("B2")
    assert (head.target_lab, head.reference_id) == ((76.1, 45.2, 31.3), told["reference"])
    assert target_from_lot(book, lot)["reading"] == told["reading"]
    assert read_reference(book, told["reference"])["readings"][0]["source"] == "lot"


@pytest.mark.parametrize(
    ("lab", "sd", "said"),
    [
        ((60, 40), None, "not three numbers"),
        ((160, 40, 2), None, "out of range"),
        (None, None, "Give the colour"),
        ((60, 40, 30), (1, -1, 1), "more than 0"),
        ((60, 40, 30), (1, float("nan"), 1), "more than 0"),
        ((60, 40, 30), "abc", "not three numbers"),
    ],
)
def test_what_cannot_be_is_refused_and_leaves_no_reference(book: LotBook, lab, sd, said: str) -> None:
    with pytest.raises(InputError, match=said):
        enter_reference(book, "Bottle", lab, lab_sd=sd)
    assert book.list_references() == []


def test_a_photo_becomes_a_reading_once(book: LotBook, lot: int, drawn_photos: list[Path]) -> None:
    photos = [drawn_photos[1], (b"rubbish", "x.jpg"), drawn_photos[1]]
    told = record_reference(book, "Bottle", photos, **VIEW)
    good, bad, again = told["photos"]
    assert len(told["readings"]) == 1 and told["readings"][0]["source"] == "photo"
    assert told["readings"][0]["lab"] == good["spots"]["reference"]["lab"]
    assert bad["reading"] is None and bad["note"] == bad["error"]
    assert again["reading"] == good["reading"] and again["repeated"]
    choose_reading(book, lot, "Bottle")
    assert book.find_lot(lot).target_lab == pytest.approx(good["spots"]["reference"]["lab"])


def test_only_refused_photos_make_no_reference(book: LotBook) -> None:
    told = record_reference(book, "Bottle", [(b"rubbish", "x.jpg")])
    assert told["reference"] is None and book.list_references() == []
    with pytest.raises(ValueError, match="spot must be one of"):
        record_reference(book, "Bottle", [], "blank")
