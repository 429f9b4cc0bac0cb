"""Stocks, references, lots and their entries."""

from __future__ import annotations

import time
from dataclasses import FrozenInstanceError

import pytest

from colourmatch.book.entries import AdditionEntry
from colourmatch.book.lot_book import LotBook
from colourmatch.errors import ClosedError, InputError, NotFoundError, PhotoError
from colourmatch.liquid.stock import Stock, weigh_drops


def test_a_stock_is_found_by_name_and_id_and_handed_out_as_a_stock(book: LotBook) -> None:
    entry = book.add_stock("Red № 1", "e129", 1, drop_ml=0.04, notes="made\nin May", entered_by="a")
    assert book.find_stock("red № 1") == book.find_stock(entry.id) == entry
    assert book.stock_now("RED № 1") == Stock("Red № 1", "E129", 1.0, 0.04)
    assert entry.notes == "made\nin May" and entry.entered_by == "a"
    with pytest.raises(FrozenInstanceError):
        entry.name = "other"  # type: ignore[misc]


def test_weighing_and_learning_count_from_then_on(book: LotBook, lot: int) -> None:
    before = book.add_addition(lot, "red", drops=10)
    weighed = book.weigh_stock("red", 40, 1.6)
    expected = weigh_drops(Stock("red", "E129", 1.0), 40, 1.6)
    assert (weighed.drop_ml, weighed.drop_rel_sd, weighed.weighed) == (*expected, True)
    assert book.record_learnt("red", 0.9, 0.04, lot).strength_g_per_100ml == pytest.approx(0.9)
    assert book.record_learnt("red", 0.8, 0.03, lot).strength_g_per_100ml == pytest.approx(0.8)
    after = book.add_addition(lot, "red", drops=10)
    assert (before.ml, after.ml) == (pytest.approx(0.5), pytest.approx(0.4))
    assert after.mg == pytest.approx(4.0)  # by the label, whatever was learnt
    assert (book.stock_now("red").strength_rel_sd, book.stock_now("red", learnt=False).strength_rel_sd) == (
        0.03,
        0.2,
    )
    assert [change.kind for change in book.stock_history("red")] == ["weighed", "learnt", "learnt"]
    reset = book.reset_learnt("red", "made again")
    assert (reset.strength_factor, reset.strength_rel_sd, reset.drop_ml) == (1.0, 0.2, weighed.drop_ml)


def test_a_name_is_free_again_when_the_stock_is_put_away(book: LotBook, lot: int) -> None:
    with pytest.raises(InputError, match="on the shelf already"):
        book.add_stock("RED", "E129", 2)
    old = book.put_away("red")
    with pytest.raises(ClosedError, match="put away"):
        book.add_addition(lot, "red", drops=1)
    with pytest.raises(ClosedError, match="put away"):
        book.weigh_stock(old.id, 40, 1.6)
    new = book.add_stock("red", "E129", 2, diluted_from=old.id)
    assert (book.find_stock("red").id, new.diluted_from_id) == (new.id, old.id)
    assert [stock.id for stock in book.list_stocks() if stock.name == "red"] == [new.id]
    assert len(book.list_stocks(active_only=False)) == 3


@pytest.mark.both_databases
def test_references_keep_their_readings(book: LotBook) -> None:
    reference = book.add_reference("The bottle", "bought in May")
    reading = book.add_reference_reading(
        "the bottle", (60, 40, 30), depth_mm=10, lab_sd=(1, 1, 2), measurement={"a": 1}
    )
    assert book.reference_readings(reference.id) == [reading]
    assert (reading.lab, reading.lab_sd) == ((60, 40, 30), (1, 1, 2))
    assert reading.measurement.to_json() == {"a": 1}
    book.add_stock("red", "E129", 1)
    made = book.new_lot("A", 900, "red", reference="The Bottle", target_lab=[50, 1, 2])
    assert (made.reference_id, made.target_lab) == (reference.id, (50.0, 1.0, 2.0))
    assert book.list_references() == [reference]


@pytest.mark.both_databases
def test_a_lot_is_found_by_id_number_label_and_name(book: LotBook, lot: int) -> None:
    other = book.new_lot("Second", 500, "red", number="2026/14")
    for given in (other.id, str(other.id), "2026/14", f"L{other.id}", "second", " Second "):
        assert book.find_lot(given) == other
    assert (other.label, book.find_lot(lot).label) == ("2026/14", f"L{lot}")
    assert book.find_lot(lot).stocks == ("red", "yellow")
    with pytest.raises(InputError, match="number"):
        book.new_lot("Third", 500, "red", number="2026/14")
    book.new_lot("Second", 500, "red")
    with pytest.raises(InputError, match=r"2 lots are called 'Second'.*id"):
        book.find_lot("Second")


@pytest.mark.both_databases
def test_lists_are_newest_first_searched_and_paged(book: LotBook, lot: int) -> None:
    names = ["Große Rosé", "100 % bitter", "x_y", "Shrub"]
    ids = [book.new_lot(name, 500, "red", number=f"N{k}").id for k, name in enumerate(names)]
    book.close_lot(ids[0], "matched")
    assert [one.id for one in book.list_lots()] == [*reversed(ids), lot]
    assert [one.id for one in book.list_lots(limit=2, offset=1)] == [ids[2], ids[1]]
    assert [one.id for one in book.list_lots("GROSSE")] == [ids[0]]
    assert [one.id for one in book.list_lots("0 %")] == [ids[1]]
    assert [one.id for one in book.list_lots("_")] == [ids[2]]
    assert [one.id for one in book.list_lots("n3")] == [ids[3]]
    assert ids[0] not in [one.id for one in book.list_lots(open_only=True)]
    assert (book.count_lots(), book.count_lots(open_only=True), book.count_lots("rosé")) == (5, 4, 1)
    assert book.list_lots("rosé")[0].closed


@pytest.mark.both_databases
def test_amounts_are_kept_as_typed_and_as_millilitres(book: LotBook, lot: int) -> None:
    book.add_stock("syrup", "E129", 2, density_g_per_ml=1.25)
    drops, ml, grams = (
        book.add_addition(lot, "red", drops=12),
        book.add_addition(lot, "red", ml=0.6),
        book.add_addition(lot, "syrup", grams=1.25),
    )
    assert (drops.quantity, drops.unit, drops.ml, drops.mg) == (
        12,
        "drops",
        pytest.approx(0.6),
        pytest.approx(6),
    )
    assert (ml.quantity, ml.unit, ml.mg) == (0.6, "ml", pytest.approx(6))
    assert (grams.unit, grams.ml, grams.mg) == ("grams", pytest.approx(1.0), pytest.approx(20))
    state = book.lot_state(lot)
    assert state.volume_ml == pytest.approx(902.2)
    assert state.mg == pytest.approx({"red": 12, "syrup": 20})


@pytest.mark.both_databases
def test_each_photo_knows_the_doses_before_it(book: LotBook, lot: int, jpeg: bytes) -> None:
    first = book.add_addition(lot, "red", drops=10)
    photo = book.add_photo(
        lot, {"delta_e_2000": {"value": 3.5, "low": 3, "high": float("nan")}}, {"action": "add"}, photo=jpeg
    )
    second = book.add_addition(lot, "red", drops=5)
    last = book.add_photo(lot, {}, photo=jpeg)
    corrected = book.correct_addition(first.id, drops=11, reason="counted again")
    story = book.lot_story(lot)
    assert [entry.id for entry in story.additions_before(story.photos[0])] == [corrected.id]
    assert [entry.id for entry in story.additions_before(story.photos[1])] == [corrected.id, second.id]
    assert [entry.id for entry in story.events] == [first.id, photo.id, second.id, last.id, corrected.id]
    assert story.events[0].replaced_by_id == corrected.id
    assert story.state(before=story.photos[0]).mg == pytest.approx({"red": 5.5})
    assert (photo.delta_e_2000, photo.delta_e_2000_high) == (3.5, None)
    assert photo.measurement.delta_e_2000.high is None and photo.advice == {"action": "add"}
    assert {stock.name for stock in story.stock_entries} == {"red", "yellow"}


@pytest.mark.both_databases
def test_the_story_can_be_told_as_of_a_time(book: LotBook, lot: int) -> None:
    first = book.add_addition(lot, "red", drops=10)
    time.sleep(0.002)
    book.correct_addition(first.id, drops=20, reason="two tens")
    book.amend_lot(lot, "mistyped", volume_ml=1000)
    book.close_lot(lot, "matched")
    then = book.lot_story(lot, at=first.created_at)
    assert (then.state().mg, then.lot.volume_ml, then.lot.closed) == ({"red": pytest.approx(5)}, 900, False)
    now = book.lot_story(lot)
    assert (now.state().mg, now.lot.volume_ml, now.lot.closed) == ({"red": pytest.approx(10)}, 1000, True)


def test_another_knowledge_of_the_stocks_can_be_computed_with(book: LotBook, lot: int) -> None:
    book.add_addition(lot, "red", ml=1)
    book.record_learnt("red", 0.8, 0.05, lot)
    story = book.lot_story(lot)
    learnt = {"red": book.stock_now("red")}
    assert (story.state().mg["red"], story.state(stocks=learnt).mg["red"]) == (
        pytest.approx(10),
        pytest.approx(8),
    )


def test_void_and_repeated_corrections(book: LotBook, lot: int) -> None:
    first = book.add_addition(lot, "red", drops=10)
    second = book.correct_addition(first.id, ml=1, reason="a pipette")
    with pytest.raises(InputError, match=f"Correct entry {second.id} instead"):
        book.correct_addition(first.id, drops=1, reason="again")
    third = book.correct_addition(second.id, stock="yellow", drops=4, reason="the other bottle")
    assert book.lot_state(lot).mg == pytest.approx({"yellow": 2.0})
    assert book.correct_addition(third.id, void=True, reason="never happened").void
    assert book.lot_state(lot).mg == {}
    with pytest.raises(InputError, match="reason"):
        book.correct_addition(third.id, drops=1, reason=" ")
    with pytest.raises(NotFoundError, match="no entry 99999"):
        book.correct_addition(99999, drops=1, reason="x")
    sample = book.take_sample(lot, 10)
    with pytest.raises(InputError, match="sample"):
        book.correct_addition(sample.id, drops=1, reason="x")


def test_a_correction_computes_with_the_stock_as_it_was(book: LotBook, lot: int) -> None:
    first = book.add_addition(lot, "red", drops=10)
    book.weigh_stock("red", 40, 1.6)
    assert book.correct_addition(first.id, drops=20, reason="x").ml == pytest.approx(1.0)


def test_samples_take_colour_and_volume_and_untinted_batch_brings_volume(book: LotBook, lot: int) -> None:
    book.add_addition(lot, "yellow", ml=9)
    sample = book.take_sample(lot, 90)
    book.take_sample(lot, 100, returned=True)
    assert book.lot_state(lot).mg == pytest.approx({"yellow": 81})
    book.add_untinted(lot, 190)
    assert book.lot_state(lot).volume_ml == pytest.approx(1000)
    book.correct_volume(sample.id, ml=180, reason="two glasses")
    assert book.lot_state(lot).mg == pytest.approx({"yellow": 72})
    count = len(book.lot_story(lot).events)
    with pytest.raises(InputError, match=r"cannot be taken"):
        book.take_sample(lot, 5000)
    with pytest.raises(InputError, match=r"cannot be taken"):
        book.amend_lot(lot, "x", volume_ml=100)
    assert len(book.lot_story(lot).events) == count


def test_a_closed_lot_takes_corrections_notes_and_rechecks_but_no_dose(
    book: LotBook, lot: int, jpeg: bytes
) -> None:
    dose = book.add_addition(lot, "red", drops=10)
    closing = book.close_lot(lot, "matched", "looks right", {"lab": [60, 40, 30]})
    assert book.lot_story(lot).closing == closing and closing.final == {"lab": [60, 40, 30]}
    for refused in (
        lambda: book.add_addition(lot, "red", drops=1),
        lambda: book.take_sample(lot, 1),
        lambda: book.add_untinted(lot, 1),
        lambda: book.add_photo(lot, {}, photo=jpeg),
        lambda: book.close_lot(lot, "again"),
    ):
        with pytest.raises(ClosedError, match=r"was closed on \d{4}-\d\d-\d\d"):
            refused()
    book.correct_addition(dose.id, drops=9, reason="miscounted")
    assert list(book.photo_store.names()) == []
    book.add_note(lot, "still bright")
    assert book.add_photo(lot, {}, purpose="recheck").purpose == "recheck"
    assert book.find_lot(lot).closed


@pytest.mark.both_databases
def test_the_same_token_writes_once(book: LotBook, lot: int) -> None:
    first = book.add_addition(lot, "red", drops=10, token="a")
    book.close_lot(lot, "matched", token="b")
    assert book.add_addition(lot, "red", drops=10, token="a") == first
    assert book.close_lot(lot, "matched", token="b") == book.lot_story(lot).closing
    assert len(book.lot_story(lot).events) == 2
    made = book.new_lot("B", 1, "red", token="c")
    assert book.new_lot("B", 1, "red", token="c") == made
    stock = book.add_stock("blue", "E133", 1, token="d")
    assert book.add_stock("blue", "E133", 1, token="d") == stock
    book.weigh_stock("blue", 40, 1.6, token="e")
    book.weigh_stock("blue", 40, 1.6, token="e")
    assert len(book.stock_history("blue")) == 1
    with pytest.raises(InputError, match="with the token 'a' already"):
        book.add_addition(made.id, "red", drops=10, token="a")


@pytest.mark.both_databases
def test_head_amendments_count_for_the_whole_lot(book: LotBook, lot: int) -> None:
    book.amend_lot(
        lot, "lower ceiling", ceiling_mg_per_l=40, stocks=["yellow"], target_lab=(1, 2, 3), serving={"ml": 60}
    )
    book.amend_lot(lot, "no ceiling", ceiling_mg_per_l=None)
    head = book.find_lot(lot)
    assert (head.ceiling_mg_per_l, head.stocks, head.target_lab, head.serving) == (
        None,
        ("yellow",),
        (1, 2, 3),
        {"ml": 60},
    )
    assert book.list_lots()[0] == head
    with pytest.raises(ValueError, match="changes must be among"):
        book.amend_lot(lot, "x", trial_of=1)
    with pytest.raises(InputError, match="dilution"):
        book.amend_lot(lot, "x", dilution=0)


@pytest.mark.both_databases
def test_a_resubmitted_photo_is_recognised(book: LotBook, lot: int, jpeg: bytes) -> None:
    assert book.find_photo(jpeg) is None
    first = book.add_photo(lot, {}, photo=jpeg, original_name="IMG_1.JPG")
    book.add_photo(lot, {}, photo=jpeg)
    assert book.find_photo(jpeg, lot) == first
    assert first.original_name == "IMG_1.JPG"
    assert book.photo_store.path(first.stored_name or "").read_bytes()[:2] == b"\xff\xd8"
    assert len(list(book.photo_store.names())) == 1
    with pytest.raises(PhotoError, match="no JPEG"):
        book.add_photo(lot, {}, photo=b"hello")
    with pytest.raises(NotFoundError, match="no photo"):
        book.add_photo(lot, {}, photo="/nowhere/x.jpg")


def test_refusals_say_what_to_do(book: LotBook, lot: int) -> None:
    with pytest.raises(
        NotFoundError, match=r"no stock 'rde'\. Near it: red\. Add one with: colourmatch stock add"
    ):
        book.find_stock("rde")
    with pytest.raises(NotFoundError, match=r"Near it: Aperitif.*lot list"):
        book.find_lot("aperitiv")
    book.new_lot("Cordial", 900, "red", number="26-041")
    with pytest.raises(NotFoundError, match=r"no lot '26-014'\. Near it: 26-041 \(Cordial\)\."):
        book.find_lot("26-014")
    with pytest.raises(NotFoundError, match="no lot '99999'"):
        book.find_lot(99999)
    with pytest.raises(NotFoundError, match="no lot"):
        book.find_lot("9" * 30)
    with pytest.raises(NotFoundError, match="no entry"):
        book.correct_addition(10**12, drops=1, reason="x")
    with pytest.raises(ValueError, match="must not be negative"):
        book.list_lots(limit=-1)
    with pytest.raises(NotFoundError, match="no reference"):
        book.find_reference("none")
    with pytest.raises(NotFoundError, match=r"E999|colourant"):
        book.add_stock("x", "E999", 1)
    with pytest.raises(InputError, match=r"more than the whole batch of 900 ml"):
        book.add_addition(lot, "red", ml=901)
    with pytest.raises(InputError, match="Give the amount once"):
        book.add_addition(lot, "red", drops=1, ml=1)
    with pytest.raises(InputError, match="Give the amount once"):
        book.add_addition(lot, "red")
    with pytest.raises(InputError, match=r"drops must be from 0.1"):
        book.add_addition(lot, "red", drops=0)
    with pytest.raises(InputError, match="at least one stock"):
        book.new_lot("x", 900, [])
    with pytest.raises(InputError, match="note is empty"):
        book.add_note(lot, "  ")
    with pytest.raises(ValueError, match="purpose must be one of"):
        book.add_photo(lot, {}, purpose="other")
    assert book.lot_story(lot).events == ()


@pytest.mark.both_databases
def test_what_is_handed_out_is_read_back_the_same(book: LotBook, lot: int) -> None:
    made = book.add_addition(lot, "red", drops=3, entered_by="Zoë")
    (again,) = book.lot_story(lot).events
    assert isinstance(again, AdditionEntry) and again == made and again.entered_by == "Zoë"
