"""Each entry of a lot is taken back by a further entry, in any order, and what stood before it holds again."""

from typing import Any

import pytest

from colourmatch.book.lot_book import LotBook
from colourmatch.measurement import Measurement
from colourmatch.workflow.log import can_take_back, take_back

WHY = "taken back"


@pytest.fixture
def lot_id(book: LotBook) -> int:
    book.stocks.add("red", "E129", 1.0)
    book.stocks.add("yellow", "E102", 1.0)
    return book.lots.begin("bitter aperitif", 900, ["red"], ceiling_mg_per_l=30).id


def undo(book: LotBook, lot_id: int, entry_id: int) -> Any:
    story = book.lots.story(lot_id)
    (entry,) = (one for one in story.events if one.id == entry_id)
    assert can_take_back(story, entry)
    done = take_back(book, story, entry, WHY, entered_by="AB", token=f"undo-{entry_id}")
    assert (done.reason, done.entered_by) == (WHY, "AB")
    assert [one.id for one in story.events] == [one.id for one in book.lots.story(lot_id).events][:-1]
    return done


def offered(book: LotBook, lot_id: int) -> list[int]:
    story = book.lots.story(lot_id)
    return [one.id for one in story.events if can_take_back(story, one)]


def doses(book: LotBook, lot_id: int) -> list[tuple[str, float, str]]:
    return [(one.stock, one.quantity, one.unit) for one in book.lots.story(lot_id).additions]


def test_an_older_dose_is_taken_back_and_its_taking_back_too(book, lot_id):
    first, second = (book.additions.add(lot_id, "red", drops=drops).id for drops in (20, 5))
    gone = undo(book, lot_id, first)
    assert doses(book, lot_id) == [("red", 5, "drops")]
    assert offered(book, lot_id) == [second, gone.id]
    undo(book, lot_id, gone.id)
    assert doses(book, lot_id) == [("red", 20, "drops"), ("red", 5, "drops")]
    other = book.additions.correct(second, reason="the other bottle", stock="yellow", ml=2)
    undo(book, lot_id, other.id)
    assert doses(book, lot_id)[1] == ("red", 5, "drops")
    book.additions.add(lot_id, "red", drops=7)
    book.stocks.correct("red", reason="misread", strength_g_per_100ml=2.0)
    # put right by the label, and taken back whole
    undo(book, lot_id, book.lots.story(lot_id).additions[-1].id)
    assert doses(book, lot_id) == [("red", 20, "drops"), ("red", 5, "drops")]


def test_a_sample_a_time_and_a_closing(book, lot_id):
    entry = book.volumes.take_sample(lot_id, 50)
    wrong = book.volumes.correct(entry.id, reason="measured", ml=70)
    assert book.lots.story(lot_id).state().volume_ml == 830
    sample = undo(book, lot_id, wrong.id)
    assert book.lots.story(lot_id).state().volume_ml == 850
    back = book.volumes.correct(sample.id, reason="went back", ml=50, returned=True)
    undo(book, lot_id, back.id)
    assert book.lots.story(lot_id).state().volume_ml == 850
    entry = book.additions.add(lot_id, "red", drops=20)
    moved = book.entries.move(entry.id, book.lots.get(lot_id).created_at, "noted late")
    undo(book, lot_id, moved.id)
    assert book.lots.story(lot_id).additions[0].happened_at == entry.created_at
    closing = book.lots.close(lot_id, "given up")
    opened = undo(book, lot_id, closing.id)
    assert not book.lots.get(lot_id).closed and opened.id not in offered(book, lot_id)
    assert closing.id not in offered(book, lot_id)


def test_a_photo_and_what_was_said_of_it(book, lot_id):
    photo = book.photos.add(lot_id, Measurement())
    aside = undo(book, lot_id, photo.id)
    assert [one.aside for one in book.lots.story(lot_id).photos] == [WHY]
    assert offered(book, lot_id) == [aside.id]
    back = undo(book, lot_id, aside.id)
    assert back.back and offered(book, lot_id) == [photo.id, back.id]
    undo(book, lot_id, back.id)
    assert [one.aside for one in book.lots.story(lot_id).photos] == [WHY]


def test_figures_of_the_lot_are_those_from_before_the_amendment(book, lot_id):
    first = book.lots.amend(lot_id, "mistyped", volume_ml=850, stocks=["red", "yellow"])
    second = book.lots.amend(lot_id, "measured", volume_ml=800)
    assert offered(book, lot_id) == [second.id]  # the first no longer says the volume
    undo(book, lot_id, second.id)
    lot = book.lots.get(lot_id)
    assert (lot.volume_ml, lot.stocks, lot.ceiling_mg_per_l) == (850, ("red", "yellow"), 30)
    other = book.lots.begin("cordial", 500, ["red"]).id
    undo(book, other, book.lots.amend(other, "mistyped", volume_ml=550, stocks=["yellow"], tolerance=2).id)
    lot = book.lots.get(other)
    assert (lot.volume_ml, lot.stocks, lot.tolerance) == (500, ("red",), 1.5)
    assert first.changes["volume_ml"] == 850


def test_an_answer_is_open_again(book, lot_id):
    photo = book.photos.add(lot_id, Measurement())
    said = book.entries.answer(lot_id, "glasses-swapped", photo.id, True)
    again = undo(book, lot_id, said.id)
    assert book.lots.story(lot_id).answers == {} and offered(book, lot_id) == [photo.id]
    with pytest.raises(ValueError, match="cannot be taken back"):
        take_back(book, book.lots.story(lot_id), again, WHY)


def test_what_is_one_act_of_several_and_a_note_stay(book, lot_id):
    dose = book.additions.add(lot_id, "red", drops=20)
    trial = book.trials.take(lot_id, 100)
    book.entries.add_note(lot_id, "stirred")
    assert offered(book, lot_id) == [dose.id] and offered(book, trial.id) == []
    book.trials.pour_back(trial.id)
    assert offered(book, lot_id) == [dose.id]
