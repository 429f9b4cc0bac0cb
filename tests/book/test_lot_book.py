"""Stocks, references, lots and their entries."""

from __future__ import annotations

import time
from dataclasses import FrozenInstanceError

import pytest

from colourmatch.book.lot_book import LotBook
from colourmatch.errors import ClosedError, InputError, NotFoundError, PhotoError
from colourmatch.liquid.stock import Stock, weigh_drops


def test_a_stock_is_found_by_name_and_id_and_handed_out_as_a_stock(book: LotBook) -> None:
    entry = book.stocks.add("Red № 1", "e129", 1, drop_ml=0.04, notes="made\nin May", entered_by="a")
    assert book.stocks.get("red № 1") == book.stocks.get(entry.id) == entry
    assert book.stocks.get("RED № 1").as_stock() == Stock("Red № 1", "E129", 1.0, 0.04)
    assert entry.notes == "made\nin May" and entry.entered_by == "a"
    with pytest.raises(FrozenInstanceError):
        entry.name = "other"  # type: ignore[misc]


@pytest.mark.parametrize(
    ("unit", "another", "factor"),
    [("drops", False, 1.0), ("drops", True, 1.2 ** (0.2**2 / (0.2**2 + 0.15**2))), ("ml", False, 1.2)],
)
def test_a_weighing_takes_the_drop_out_of_what_drops_taught(
    book: LotBook, lot: int, unit: str, another: bool, factor: float
) -> None:
    """A lot found 1.2 times the label; a weighed drop of 1.2 times the assumed one, with the stock's density, says why."""
    stock = book.stocks.all()[0]
    book.additions.add(lot, stock.name, **{unit: 20})
    book.stocks.learn(stock.id, 1.2, 0.05, lot)
    drop_g = 1.2 * stock.drop_ml * stock.density_g_per_ml
    told = book.stocks.weigh(stock.id, 40, 40 * drop_g, another_dropper=another, token="t")
    assert told.drop_ml == pytest.approx(1.2 * stock.drop_ml, rel=1e-3)
    assert told.strength_factor == pytest.approx(factor, rel=1e-3) and told.learnt_from_lot_id == lot
    again = book.stocks.weigh(stock.id, 40, 40 * drop_g, another_dropper=another, token="t")
    assert again.strength_factor == told.strength_factor


def test_weighing_and_learning_count_from_then_on(book: LotBook, lot: int) -> None:
    before = book.additions.add(lot, "red", drops=10)
    weighed = book.stocks.weigh("red", 40, 1.6)
    expected = weigh_drops(Stock("red", "E129", 1.0), 40, 1.6)
    assert (weighed.drop_ml, weighed.drop_rel_sd, weighed.weighed) == (*expected, True)
    assert book.stocks.learn("red", 0.9, 0.04, lot).strength_g_per_100ml == pytest.approx(0.9)
    assert book.stocks.learn("red", 0.8, 0.03, lot).strength_g_per_100ml == pytest.approx(0.8)
    after = book.additions.add(lot, "red", drops=10)
    assert (before.ml, after.ml) == (pytest.approx(0.5), pytest.approx(0.4))
    assert after.mg == pytest.approx(4.0)  # by the label, whatever was learnt
    assert book.lots.story(lot).state().mg["red"] == pytest.approx(9.0)
    assert book.additions.correct(before.id, drops=20, reason="x").ml == pytest.approx(
        1.0
    )  # the drop of then
    assert (
        book.stocks.get("red").as_stock().strength_rel_sd,
        book.stocks.get("red").as_stock(learnt=False).strength_rel_sd,
    ) == (
        0.03,
        0.2,
    )
    assert [change.kind for change in book.stocks.history("red")] == ["weighed", "learnt", "learnt"]
    reset = book.stocks.reset("red", "made again")
    assert (reset.strength_factor, reset.strength_rel_sd, reset.drop_ml) == (1.0, 0.2, weighed.drop_ml)


def test_a_name_is_free_again_when_the_stock_is_put_away(book: LotBook, lot: int) -> None:
    with pytest.raises(InputError, match="on the shelf already"):
        book.stocks.add("RED", "E129", 2)
    old = book.stocks.put_away("red")
    with pytest.raises(ClosedError, match="put away"):
        book.additions.add(lot, "red", drops=1)
    with pytest.raises(ClosedError, match="put away"):
        book.stocks.weigh(old.id, 40, 1.6)
    new = book.stocks.add("red", "E129", 2, diluted_from=old.id)
    assert (book.stocks.get("red").id, new.diluted_from_id) == (new.id, old.id)
    assert [stock.id for stock in book.stocks.all() if stock.name == "red"] == [new.id]
    assert len(book.stocks.all(active_only=False)) == 3


@pytest.mark.both_databases
def test_references_keep_their_readings(book: LotBook) -> None:
    reference = book.references.add("The bottle", "bought in May")
    reading = book.references.add_reading(
        "the bottle", (60, 40, 30), depth_mm=10, lab_sd=(1, 1, 2), measurement={"a": 1}
    )
    assert book.references.readings(reference.id) == [reading]
    assert (reading.lab, reading.lab_sd) == ((60, 40, 30), (1, 1, 2))
    assert reading.measurement.to_json() == {"a": 1}
    book.stocks.add("red", "E129", 1)
    made = book.lots.begin("A", 900, "red", reference="The Bottle", target_lab=[50, 1, 2])
    assert (made.reference_id, made.target_lab) == (reference.id, (50.0, 1.0, 2.0))
    assert book.references.all() == [reference]


def test_a_lot_is_found_by_id_number_label_and_name(book: LotBook, lot: int) -> None:
    other = book.lots.begin("Second", 500, "red", number="2026/14")
    for given in (other.id, str(other.id), "2026/14", f"L{other.id}", "second", " Second "):
        assert book.lots.get(given) == other
    assert (other.label, book.lots.get(lot).label) == ("2026/14", f"L{lot}")
    assert book.lots.get(lot).stocks == ("red", "yellow")


@pytest.mark.both_databases
def test_lists_are_newest_first_searched_and_paged(book: LotBook, lot: int) -> None:
    names = ["Große Rosé", "100 % bitter", "x_y", "Shrub"]
    ids = [book.lots.begin(name, 500, "red", number=f"N{k}").id for k, name in enumerate(names)]
    book.lots.close(ids[0], "matched")
    assert [one.id for one in book.lots.search()] == [*reversed(ids), lot]
    assert [one.id for one in book.lots.search(limit=2, offset=1)] == [ids[2], ids[1]]
    assert [one.id for one in book.lots.search("GROSSE")] == [ids[0]]
    assert [one.id for one in book.lots.search("0 %")] == [ids[1]]
    assert [one.id for one in book.lots.search("_")] == [ids[2]]
    assert [one.id for one in book.lots.search("n3")] == [ids[3]]
    assert ids[0] not in [one.id for one in book.lots.search(open_only=True)]
    assert (book.lots.count(), book.lots.count(open_only=True), book.lots.count("rosé")) == (5, 4, 1)
    assert book.lots.search("rosé")[0].closed


@pytest.mark.both_databases
def test_amounts_are_kept_as_typed_and_as_millilitres(book: LotBook, lot: int) -> None:
    book.stocks.add("syrup", "E129", 2, density_g_per_ml=1.25)
    drops, ml, grams = (
        book.additions.add(lot, "red", drops=12),
        book.additions.add(lot, "red", ml=0.6),
        book.additions.add(lot, "syrup", grams=1.25),
    )
    assert (drops.quantity, drops.unit, drops.ml, drops.mg) == (
        12,
        "drops",
        pytest.approx(0.6),
        pytest.approx(6),
    )
    assert (ml.quantity, ml.unit, ml.mg) == (0.6, "ml", pytest.approx(6))
    assert (grams.unit, grams.ml, grams.mg) == ("grams", pytest.approx(1.0), pytest.approx(20))
    state = book.lots.story(lot).state()
    assert state.volume_ml == pytest.approx(902.2)
    assert state.mg == pytest.approx({"red": 12, "syrup": 20})


def test_each_photo_knows_the_doses_before_it(book: LotBook, lot: int, jpeg: bytes) -> None:
    first = book.additions.add(lot, "red", drops=10)
    photo = book.photos.add(
        lot, {"delta_e_2000": {"value": 3.5, "low": 3, "high": float("nan")}}, {"action": "add"}, photo=jpeg
    )
    second = book.additions.add(lot, "red", drops=5)
    last = book.photos.add(lot, {}, photo=jpeg)
    corrected = book.additions.correct(first.id, drops=11, reason="counted again")
    story = book.lots.story(lot)
    assert [one.id for one in story.entries_before(story.photos[0]) if one.kind == "addition"] == [
        corrected.id
    ]
    assert [one.id for one in story.entries_before(story.photos[1]) if one.kind == "addition"] == [
        corrected.id,
        second.id,
    ]
    assert [entry.id for entry in story.events] == [first.id, photo.id, second.id, last.id, corrected.id]
    assert story.events[0].replaced_by_id == corrected.id
    assert story.state(before=story.photos[0]).mg == pytest.approx({"red": 5.5})
    assert (photo.delta_e_2000, photo.delta_e_2000_high) == (3.5, None)
    assert photo.measurement.delta_e_2000.high is None and photo.advice.to_json() == {"action": "add"}
    assert {stock.name for stock in story.stock_entries} == {"red", "yellow"}


def test_the_story_can_be_told_as_of_a_time(book: LotBook, lot: int) -> None:
    first = book.additions.add(lot, "red", drops=10)
    time.sleep(0.002)
    book.additions.correct(first.id, drops=20, reason="two tens")
    book.lots.amend(lot, "mistyped", volume_ml=1000)
    book.lots.close(lot, "matched")
    then = book.lots.story(lot, at=first.created_at)
    assert (then.state().mg, then.lot.volume_ml, then.lot.closed) == ({"red": pytest.approx(5)}, 900, False)
    now = book.lots.story(lot)
    assert (now.state().mg, now.lot.volume_ml, now.lot.closed) == ({"red": pytest.approx(10)}, 1000, True)


def test_void_and_repeated_corrections(book: LotBook, lot: int) -> None:
    first = book.additions.add(lot, "red", drops=10)
    second = book.additions.correct(first.id, ml=1, reason="a pipette")
    with pytest.raises(InputError, match=f"Correct entry {second.id} instead"):
        book.additions.correct(first.id, drops=1, reason="again")
    other = book.additions.correct(second.id, stock="yellow", reason="the other bottle")
    assert (other.stock, other.quantity, other.unit) == ("yellow", 1, "ml")
    third = book.additions.correct(other.id, drops=4, reason="counted")
    assert book.lots.story(lot).state().mg == pytest.approx({"yellow": 2.0})
    assert book.additions.correct(third.id, void=True, reason="never happened").void
    assert book.lots.story(lot).state().mg == {}
    with pytest.raises(InputError, match="reason"):
        book.additions.correct(third.id, drops=1, reason=" ")
    with pytest.raises(NotFoundError, match="no entry 99999"):
        book.additions.correct(99999, drops=1, reason="x")
    sample = book.volumes.take_sample(lot, 10)
    with pytest.raises(InputError, match="sample"):
        book.additions.correct(sample.id, drops=1, reason="x")


def test_samples_take_colour_and_volume_and_untinted_batch_brings_volume(book: LotBook, lot: int) -> None:
    book.additions.add(lot, "yellow", ml=9)
    sample = book.volumes.take_sample(lot, 90)
    book.volumes.take_sample(lot, 100, returned=True)
    assert book.lots.story(lot).state().mg == pytest.approx({"yellow": 81})
    book.volumes.add_untinted(lot, 190)
    assert book.lots.story(lot).state().volume_ml == pytest.approx(1000)
    book.volumes.correct(sample.id, ml=180, reason="two glasses")
    assert book.lots.story(lot).state().mg == pytest.approx({"yellow": 72})
    count = len(book.lots.story(lot).events)
    with pytest.raises(InputError, match=r"cannot be taken"):
        book.volumes.take_sample(lot, 5000)
    with pytest.raises(InputError, match=r"cannot be taken"):
        book.lots.amend(lot, "x", volume_ml=100)
    assert len(book.lots.story(lot).events) == count


def test_a_closed_lot_takes_corrections_notes_and_rechecks_but_no_dose(
    book: LotBook, lot: int, jpeg: bytes
) -> None:
    dose = book.additions.add(lot, "red", drops=10)
    closing = book.lots.close(lot, "matched", "looks right", {"text": "Stop.", "lab": [60, 40, 30]})
    assert book.lots.story(lot).closing == closing and closing.final.to_json() == {
        "text": "Stop.",
        "lab": [60, 40, 30],
    }
    for refused in (
        lambda: book.additions.add(lot, "red", drops=1),
        lambda: book.volumes.take_sample(lot, 1),
        lambda: book.volumes.add_untinted(lot, 1),
        lambda: book.photos.add(lot, {}, photo=jpeg),
        lambda: book.lots.close(lot, "again"),
    ):
        with pytest.raises(ClosedError, match=r"was closed on \d{4}-\d\d-\d\d"):
            refused()
    book.additions.correct(dose.id, drops=9, reason="miscounted")
    assert list(book.photo_store.names()) == []
    book.entries.add_note(lot, "still bright")
    assert book.photos.add(lot, {}, purpose="recheck").purpose == "recheck"
    assert book.lots.get(lot).closed


def test_head_amendments_count_for_the_whole_lot(book: LotBook, lot: int) -> None:
    book.lots.amend(
        lot, "lower ceiling", ceiling_mg_per_l=40, stocks=["yellow"], target_lab=(1, 2, 3), serving={"ml": 60}
    )
    book.lots.amend(lot, "no ceiling", ceiling_mg_per_l=None)
    head = book.lots.get(lot)
    assert (head.ceiling_mg_per_l, head.stocks, head.target_lab, head.serving) == (
        None,
        ("yellow",),
        (1, 2, 3),
        {"ml": 60},
    )
    assert book.lots.search()[0] == head
    second = book.lots.begin("Second", 900, "yellow").id
    book.additions.add(second, "red", drops=3)
    assert book.lots.stories([second, lot]) == [book.lots.story(second), book.lots.story(lot)]
    with pytest.raises(ValueError, match="changes must be among"):
        book.lots.amend(lot, "x", trial_of=1)
    with pytest.raises(InputError, match="dilution"):
        book.lots.amend(lot, "x", dilution=0)


def test_a_resubmitted_photo_is_recognised(book: LotBook, lot: int, jpeg: bytes) -> None:
    assert book.photos.find(jpeg) is None
    first = book.photos.add(lot, {}, photo=jpeg, original_name="IMG_1.JPG")
    book.photos.add(lot, {}, photo=jpeg)
    assert book.photos.find(jpeg, lot) == first
    assert first.original_name == "IMG_1.JPG"
    assert book.photo_store.path(first.stored_name or "").read_bytes()[:2] == b"\xff\xd8"
    assert len(list(book.photo_store.names())) == 1
    with pytest.raises(PhotoError, match="no JPEG"):
        book.photos.add(lot, {}, photo=b"hello")


def test_refusals_say_what_to_do(book: LotBook, lot: int) -> None:
    with pytest.raises(
        NotFoundError, match=r"no stock 'rde'\. Near it: red\. Add one with: colourmatch stock add"
    ):
        book.stocks.get("rde")
    with pytest.raises(NotFoundError, match=r"Near it: Aperitif.*lot list"):
        book.lots.get("aperitiv")
    book.lots.begin("Cordial", 900, "red", number="26-041")
    with pytest.raises(NotFoundError, match=r"no lot '26-014'\. Near it: 26-041 \(Cordial\)\."):
        book.lots.get("26-014")
    with pytest.raises(NotFoundError, match="no lot '99999'"):
        book.lots.get(99999)
    with pytest.raises(NotFoundError, match="no lot"):
        book.lots.get("9" * 30)
    with pytest.raises(NotFoundError, match="no entry"):
        book.additions.correct(10**12, drops=1, reason="x")
    with pytest.raises(ValueError, match="must not be negative"):
        book.lots.search(limit=-1)
    with pytest.raises(NotFoundError, match="no reference"):
        book.references.get("none")
    with pytest.raises(NotFoundError, match=r"E999|colourant"):
        book.stocks.add("x", "E999", 1)
    with pytest.raises(InputError, match=r"more than the whole batch of 900 ml"):
        book.additions.add(lot, "red", ml=901)
    with pytest.raises(InputError, match="Give the amount once"):
        book.additions.add(lot, "red", drops=1, ml=1)
    with pytest.raises(InputError, match="Give the amount once"):
        book.additions.add(lot, "red")
    with pytest.raises(InputError, match=r"drops must be from 0.1"):
        book.additions.add(lot, "red", drops=0)
    with pytest.raises(InputError, match="at least one stock"):
        book.lots.begin("x", 900, [])
    with pytest.raises(InputError, match="note is empty"):
        book.entries.add_note(lot, "  ")
    with pytest.raises(ValueError, match="purpose must be one of"):
        book.photos.add(lot, {}, purpose="other")
    assert book.lots.story(lot).events == ()
