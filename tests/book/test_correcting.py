"""What was entered is put right by entries: times, heads of lots, stocks, closings."""

import time
from datetime import datetime, timedelta

import pytest
from raw_books import list_changes
from sqlalchemy import insert, select
from sqlalchemy.exc import IntegrityError

from colourmatch.book import tables as t
from colourmatch.book.entries import LotEntry, LotStory
from colourmatch.book.lot_book import LotBook
from colourmatch.book.opening import write
from colourmatch.book.seals import seal_missing
from colourmatch.errors import ClosedError, InputError, NotFoundError
from colourmatch.workflow.closing import finish_trial
from colourmatch.workflow.photo_colours import time_of

SEEN = {"delta_e_2000": {"value": 2.0, "low": 1.5, "high": 2.5}}


def between(first: LotEntry, second: LotEntry) -> datetime:
    """A moment between two entries."""
    start, end = (datetime.fromisoformat(entry.created_at) for entry in (first, second))
    return start + (end - start) / 2


@pytest.fixture
def late(book: LotBook, lot: int) -> tuple[LotEntry, ...]:
    """A note, a dose, another dose, and a photo that was noted after them."""
    entries = []
    for enter in (
        lambda: book.entries.add_note(lot, "clear"),
        lambda: book.additions.add(lot, "red", drops=10),
        lambda: book.additions.add(lot, "red", drops=20),
        lambda: book.photos.add(lot, SEEN),
    ):
        entries.append(enter())
        time.sleep(0.002)
    return tuple(entries)


def test_a_photo_that_was_moved_before_an_addition_stands_before_it(book, lot, late):
    _, first, second, photo = late
    assert book.lots.story(lot).state(photo).mg["red"] == pytest.approx(15)
    moment = between(first, second)
    moved = book.entries.move(photo.id, moment, "taken before the second dose", entered_by="MK")
    assert (moved.moved_entry_id, moved.entered_by) == (photo.id, "MK")
    assert moved.reason == "taken before the second dose"
    story = book.lots.story(lot)
    assert [entry.id for entry in story.effective][1:4] == [first.id, photo.id, second.id]
    assert story.state(story.photos[0]).mg["red"] == pytest.approx(5)
    assert doses_before(story) == [first.id]
    assert datetime.fromisoformat(story.photos[0].happened_at) == moment
    assert time_of(story.photos[0]) == moment
    assert story.photos[0].moved_by_id == moved.id
    assert story.photos[0].created_at == photo.created_at
    assert [entry.id for entry in story.events] == sorted(entry.id for entry in story.events)
    then = book.lots.story(lot, at=photo.created_at)  # as the book stood before the move
    assert then.photos[0].happened_at == photo.created_at and len(doses_before(then)) == 2
    # entries of one time stand in the order of their numbers
    book.entries.move(photo.id, first.created_at, "taken then")
    assert [entry.id for entry in book.lots.story(lot).effective][1:3] == [first.id, photo.id]


def test_an_entry_is_moved_again_and_a_later_correction_stands_there_too(book, lot, late):
    note, first, second, photo = late
    book.entries.move(second.id, between(note, first), "noted late")
    assert [entry.id for entry in book.lots.story(lot).additions] == [second.id, first.id]
    right = book.additions.correct(second.id, drops=21, reason="counted again")
    assert book.lots.story(lot).additions[0].happened_at < second.created_at < right.created_at
    assert [entry.id for entry in book.lots.story(lot).additions] == [right.id, first.id]
    again = between(first, photo)
    book.entries.move(right.id, again, "still wrong")
    story = book.lots.story(lot)
    assert [entry.id for entry in story.additions] == [first.id, right.id]
    assert datetime.fromisoformat(story.additions[1].happened_at) == again


def test_a_time_that_cannot_be_is_refused(book, lot, late):
    _, first, second, photo = late
    begun = datetime.fromisoformat(book.lots.get(lot).created_at)
    with pytest.raises(InputError, match="still to come"):
        book.entries.move(photo.id, begun + timedelta(days=1), "x")
    with pytest.raises(InputError, match="was begun on"):
        book.entries.move(photo.id, begun - timedelta(minutes=1), "x")
    with pytest.raises(InputError, match="needs its reason"):
        book.entries.move(photo.id, begun, " ")
    with pytest.raises(NotFoundError):
        book.entries.move(99_999, begun, "x")
    right = book.additions.correct(first.id, drops=11, reason="counted again")
    with pytest.raises(InputError, match=f"Correct entry {right.id}"):
        book.entries.move(first.id, begun, "x")
    void = book.additions.correct(second.id, void=True, reason="not this lot")
    with pytest.raises(InputError, match="never happened"):
        book.entries.move(void.id, begun, "x")
    amended = book.lots.amend(lot, "asked for", tolerance=2.0)
    with pytest.raises(InputError, match="stands where it was entered"):
        book.entries.move(amended.id, begun, "x")
    trial = book.trials.take(lot, 90)
    for entry in (book.lots.story(lot).events[-1], book.lots.story(trial.id).events[0]):
        with pytest.raises(InputError, match="belongs to a trial"):
            book.entries.move(entry.id, begun, "x")


def test_a_sample_that_is_moved_to_where_there_was_not_enough_is_refused(book, lot):
    untinted = book.volumes.add_untinted(lot, 2000)
    sample = book.volumes.take_sample(lot, 1500)
    with pytest.raises(InputError):
        book.entries.move(sample.id, book.lots.get(lot).created_at, "x")
    assert book.lots.story(lot).events[-1].id == sample.id
    assert book.entries.move(sample.id, untinted.created_at, "right after").moved_entry_id == sample.id


def test_nothing_is_carried_over_the_closing_but_notes(book, lot, late):
    closing = book.lots.close(lot, "matched")
    time.sleep(0.002)
    recheck = book.photos.add(lot, SEEN, purpose="recheck")
    with pytest.raises(InputError, match="before that"):
        book.entries.move(late[1].id, recheck.created_at, "x")
    with pytest.raises(InputError, match="comes after that"):
        book.entries.move(recheck.id, late[1].created_at, "x")
    book.entries.move(late[0].id, recheck.created_at, "of the recheck")
    book.entries.move(late[3].id, between(late[1], late[2]), "taken earlier")
    assert closing == book.lots.story(lot).closing
    assert len(doses_before(book.lots.story(lot))) == 1


def test_a_lot_is_found_by_its_new_name_and_number_and_not_by_the_old(book):
    book.stocks.add("red", "E129", 1.0)
    lot = book.lots.begin("Aperitiff", 900, "red", number="26-014", notes="of May").id
    done = book.lots.amend(lot, "mistyped", name="Aperitif", number="26-041", notes="of June")
    assert done.changes == {"name": "Aperitif", "number": "26-041", "notes": "of June"}
    for found in (book.lots.get("aperitif"), book.lots.get("26-041"), book.lots.search("26-041")[0]):
        assert (found.id, found.name, found.label, found.notes) == (lot, "Aperitif", "26-041", "of June")
    for old in ("Aperitiff", "26-014"):
        with pytest.raises(NotFoundError, match=r"Near it: .*Aperitif"):
            book.lots.get(old)
        assert book.lots.count(old) == 0
    other = book.lots.begin("Cordial", 900, "red", number="26-014")
    assert (other.label, book.lots.get("26-014").id) == ("26-014", other.id)
    assert book.lots.amend(lot, "has none", number=None).changes == {"number": None}
    assert book.lots.get("aperitif").label == f"L{lot}"
    assert book.archive.check() == []


@pytest.mark.both_databases
def test_numbers_are_unique_whatever_their_case(book):
    book.stocks.add("red", "E129", 1.0)
    first = book.lots.begin("Aperitif", 900, "red", number="Ä-l7").id
    for number in ("ä-L7", "Ä-l7", "Ａ̈-L7"):
        with pytest.raises(InputError, match=f"the number of lot {first} already"):
            book.lots.begin("Cordial", 900, "red", number=number)
    second = book.lots.begin("Cordial", 900, "red").id
    with pytest.raises(InputError, match="the number of lot"):
        book.lots.amend(second, "x", number="ä-l7")
    book.lots.amend(first, "the same, written otherwise", number="ä-L7")
    assert book.lots.get("Ä-L7").id == first


def test_the_automatic_number_moves_on_past_one_that_was_given(book):
    book.stocks.add("red", "E129", 1.0)
    first = book.lots.begin("Aperitif", 900, "red").id
    own = book.lots.begin("Bitter", 900, "red", number=f"l{first + 2}")
    next_lot = book.lots.begin("Cordial", 900, "red")
    assert (own.id, next_lot.id, next_lot.label) == (first + 1, first + 3, f"L{first + 3}")
    assert book.lots.get(f"L{first + 2}").id == own.id
    itself = book.lots.begin("Shrub", 900, "red", number=str(first + 4))
    assert itself.id == first + 4 and book.lots.get(str(first + 4)).id == itself.id


def test_no_name_of_a_lot_may_mean_two(book, lot):
    book.lots.begin("Cordial", 900, "red", number="26-1")
    for made in ({"number": str(lot)}, {"number": f"L{lot}"}, {"number": "aperitif"}):
        with pytest.raises(InputError, match="no name may mean two lots"):
            book.lots.begin("Shrub", 900, "red", **made)
    for name in (str(lot), f"l{lot}", "26-1"):
        with pytest.raises(InputError, match="Give another name"):
            book.lots.begin(name, 900, "red")
    with pytest.raises(InputError, match="Give another number"):
        book.lots.amend("26-1", "x", number=f"L{lot}")
    twin = book.lots.begin("Aperitif", 900, "red").id
    with pytest.raises(InputError, match=f"2 lots are called 'Aperitif'.*{twin}, {lot}"):
        book.lots.get("Aperitif")
    assert book.lots.get(f"00{lot}").id == lot


def test_an_old_book_with_a_number_that_is_an_id_is_told_how_to_mend_it(book, lot):
    with write(book.database.engine) as connection:
        row = dict(connection.execute(select(t.lots).where(t.lots.c.id == lot)).mappings().one())
        row |= {"id": lot + 1, "name": "Cordial", "name_key": "cordial", "number": str(lot)}
        connection.execute(insert(t.lots).values(**row))
        seal_missing(connection)
    with pytest.raises(InputError) as refused:
        book.lots.get(str(lot))
    assert f"lot {lot} (its id) or lot {lot + 1} (its number)" in str(refused.value)
    assert f"L{lot} for lot {lot}, {lot + 1} for lot {lot + 1}" in str(refused.value)
    assert book.lots.get(lot).id == book.lots.get(f"L{lot}").id == lot
    (finding,) = book.archive.check()
    assert finding.code == "one-name"
    assert f"colourmatch lot correct L{lot + 1} --number NEW" in finding.text
    book.lots.amend(f"L{lot + 1}", "two lots of one name", number="26-2")
    assert book.lots.get(str(lot)).id == lot and book.archive.check() == []


def test_a_closed_lot_is_opened_again_and_closed_again(book, lot):
    first = book.lots.close(lot, "matched", "all well", {"lab": [1, 2, 3]})
    opened = book.lots.reopen(lot, "closed too early", entered_by="MK", token="once")
    assert (opened.closing_entry_id, opened.reason, opened.entered_by) == (first.id, "closed too early", "MK")
    assert book.lots.reopen(lot, "closed too early", token="once") == opened
    assert not book.lots.get(lot).closed and book.lots.story(lot).closing is None
    assert [one.id for one in book.lots.search(open_only=True)] == [lot]
    assert book.lots.closed() == []
    book.additions.add(lot, "red", drops=3)
    second = book.lots.close(lot, "nearest")
    assert book.lots.story(lot).closing == second
    assert [one.id for one in book.lots.closed()] == [lot]
    kinds = [entry.kind for entry in book.lots.story(lot).events]
    assert kinds == ["closing", "reopening", "addition", "closing"]
    with pytest.raises(ClosedError, match="lot reopen"):
        book.additions.add(lot, "red", drops=1)
    assert book.lots.story(lot, at=opened.created_at).closing is None
    assert book.lots.story(lot, at=first.created_at).closing == first


def test_what_cannot_be_opened_again_is_told(book, lot):
    with pytest.raises(InputError, match="is open"):
        book.lots.reopen(lot, "x")
    trial = book.trials.take(lot, 90).id
    finish_trial(book, trial)
    with pytest.raises(InputError, match="was poured back"):
        book.lots.reopen(trial, "x")
    book.lots.close(lot, "matched")
    with pytest.raises(InputError, match="needs its reason"):
        book.lots.reopen(lot, " ")


@pytest.mark.both_databases
def test_the_database_itself_closes_a_lot_once(book, lot):
    book.lots.close(lot, "matched")
    note = book.entries.add_note(lot, "n")
    row = {"lot_id": lot, "outcome": "matched", "text": "", "reopened_before": 0}
    with pytest.raises(IntegrityError), write(book.database.engine) as connection:
        connection.execute(t.closings.insert().values(entry_id=note.id, **row))


def test_what_a_closing_taught_is_taken_back_and_learnt_again(book, lot):
    book.stocks.learn("red", 0.8, 0.06, book.lots.begin("Before", 900, "red").id)
    book.lots.close(lot, "matched")
    book.stocks.learn("red", 0.9, 0.04, lot)
    book.stocks.learn("yellow", 1.2, 0.04, lot)
    book.lots.reopen(lot, "too early")
    red, yellow = book.stocks.get("red"), book.stocks.get("yellow")
    assert (red.strength_factor, red.strength_rel_sd) == (0.8, 0.06)
    assert (yellow.strength_factor, yellow.strength_rel_sd, yellow.learnt) == (1.0, 0.2, None)
    book.lots.close(lot, "matched")
    assert book.stocks.learn("red", 0.91, 0.04, lot).strength_factor == 0.91
    assert list_changes(book, "red") == ["learnt", "learnt", "unlearnt", "learnt"]
    book.stocks.learn("red", 0.95, 0.03, book.lots.begin("Later", 900, "red").id)
    book.lots.reopen(lot, "too early")
    assert book.stocks.get("red").strength_factor == 0.95, "what a later lot learnt stays"


def test_a_label_that_was_misread_counts_in_open_lots_and_not_in_closed_ones(book, lot):
    closed = book.lots.begin("Closed", 900, "red").id
    for one in (lot, closed):
        book.additions.add(one, "red", drops=10)
    book.additions.add(lot, "yellow", drops=4)
    book.lots.close(closed, "matched")
    done = book.stocks.correct("red", "label misread", strength_g_per_100ml=2, entered_by="MK")
    assert (done.stock.label_strength_g_per_100ml, done.stock.strength_g_per_100ml) == (2.0, 2.0)
    assert done.stock.corrected == ("label 1 g in 100 ml, now 2 (label misread)",)
    assert [lot_id for lot_id, _ in done.entries] == [lot]
    dose = book.lots.story(lot).additions[0]
    assert (dose.id, dose.quantity, dose.unit, dose.ml) == (done.entries[0][1], 10, "drops", 0.5)
    assert dose.mg == pytest.approx(10) and "label misread" in (dose.reason or "")
    assert book.lots.story(closed).state().mg == pytest.approx({"red": 5.0})
    assert book.lots.story(lot).state().mg == pytest.approx({"red": 10.0, "yellow": 2.0})
    assert book.additions.add(lot, "red", drops=10).mg == pytest.approx(10)
    book.lots.reopen(closed, "it is to be right too")
    assert book.lots.story(closed).state().mg == pytest.approx({"red": 10.0})
    assert list_changes(book, "red") == ["corrected"]


def test_what_photos_taught_is_a_true_strength_and_stays(book, lot):
    book.stocks.learn("red", 1.9, 0.05, lot)
    red = book.stocks.correct("red", "misread", strength_g_per_100ml=2).stock
    assert red.strength_factor == pytest.approx(0.95)
    assert red.strength_g_per_100ml == pytest.approx(1.9)
    assert book.stocks.get("yellow").strength_factor == 1


def test_what_was_thinned_from_a_stock_is_put_right_with_it(book, lot):
    thin = book.stocks.dilute("red", 10)
    thinner = book.stocks.dilute(thin.name, 2)
    own = book.stocks.dilute("red", 5, "by itself")
    book.stocks.correct("by itself", "measured", strength_g_per_100ml=0.3)
    book.additions.add(lot, thinner.name, ml=10)
    done = book.stocks.correct("red", "misread", strength_g_per_100ml=2)
    assert set(done.thinned) == {thin.name, thinner.name}
    assert book.stocks.get(thinner.id).label_strength_g_per_100ml == pytest.approx(0.1)
    assert book.stocks.get(own.id).label_strength_g_per_100ml == 0.3
    assert book.lots.story(lot).state().mg[thinner.name] == pytest.approx(10)
    book.stocks.correct("red", "misread again", strength_g_per_100ml=4)
    assert book.stocks.get(thinner.id).label_strength_g_per_100ml == pytest.approx(0.2)
    assert book.lots.story(lot).state().mg[thinner.name] == pytest.approx(20)


def test_a_stock_is_known_by_its_new_name_everywhere(book, lot):
    book.lots.amend(lot, "in this order", stocks=["yellow", "red"])
    book.additions.add(lot, "red", drops=10)
    book.stocks.correct("red", "mistyped", name="crimson", notes="of June")
    assert book.stocks.get("CRIMSON").notes == "of June"
    with pytest.raises(NotFoundError, match="no stock 'red'"):
        book.stocks.get("red")
    story = book.lots.story(lot)
    assert story.lot.stocks == ("yellow", "crimson")
    assert story.additions[0].stock == "crimson"
    assert {stock.name for stock in story.stock_entries} == {"yellow", "crimson"}
    assert set(story.state().mg) == {"crimson"}
    new = book.stocks.add("red", "E129", 1.0)  # the name is free again, and means this one
    assert book.stocks.get("red").id == new.id
    assert book.lots.story(lot).lot.stocks == ("yellow", "crimson")


def test_a_stock_is_not_put_right_to_what_cannot_be(book, lot):
    for changes in ({"name": "Yellow"}, {"name": " "}, {"strength_g_per_100ml": 0}, {"name": "red"}, {}):
        with pytest.raises(InputError):
            book.stocks.correct("red", "x", **changes)
    with pytest.raises(InputError, match="needs its reason"):
        book.stocks.correct("red", "", name="crimson")
    assert list_changes(book, "red") == []


def doses_before(story: LotStory) -> list[int]:
    """The doses that were in the batch on the first photo."""
    return [entry.id for entry in story.entries_before(story.photos[0]) if entry.kind == "addition"]
