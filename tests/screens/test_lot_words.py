"""What belongs to the last photo, and a lot's entries in words."""

import pytest

from colourmatch.advice import Advice, Together
from colourmatch.book.lot_book import LotBook
from colourmatch.screens import lot_words as telling

SEEN = {"value": 4.2, "low": 3.1, "high": 5.0}
MEASUREMENT = {"delta_e_2000": SEEN, "difference": {"text": "paler, less red"}, "spots": {}}
ADVICE = {
    "action": "add",
    "reason": "step",
    "text": "Add 3 drops of red and 2 drops of yellow.",
    "doses": [{"stock": "red", "drops": 3, "ml": 0.15}, {"stock": "yellow", "drops": 2, "ml": 0.1}],
}


@pytest.fixture
def lot_id(book: LotBook, lot_id: int) -> int:
    """A lot with two stocks and one photo that advised a dose of each."""
    book.stocks.add("yellow", "E102", 1.0)
    book.lots.amend(lot_id, "another bottle", stocks=["red", "yellow"])
    book.photos.add(lot_id, MEASUREMENT, ADVICE)
    return lot_id


def test_what_went_in_since_the_photo_is_told(book, lot_id):
    def tell() -> str:
        return telling.describe_since_photo(book.lots.story(lot_id))

    entry = book.additions.add(lot_id, "red", drops=1)
    assert tell() == "1 drop of red"
    book.additions.correct(entry.id, reason="never went in", void=True)
    book.volumes.take_sample(lot_id, 20)
    assert tell() == ""
    book.additions.add(lot_id, "red", drops=3)
    book.additions.add(lot_id, "yellow", ml=0.1)
    book.volumes.add_untinted(lot_id, 120)
    assert tell() == "3 drops of red, 0.1 ml of yellow, 120 ml of untinted batch"
    book.photos.add(lot_id, MEASUREMENT, ADVICE)
    assert tell() == ""
    book.additions.add(lot_id, "red", drops=9)
    book.lots.close(lot_id, "given up", "dropped the jug")
    assert tell() == "9 drops of red"
    answer = telling.find_answer(book.lots.story(lot_id), Advice(), tell())
    said = "Given up. Not photographed since 9 drops of red."
    assert answer == telling.Answer("closed", (("FINISHED", ""),), said)


def test_an_advice_to_add_holds_until_something_is_entered_or_learnt(book, lot_id):
    advice = Advice.from_json(ADVICE)
    assert [dose.drops for dose in advice.steps] == [3, 2]
    assert advice.having(action="stop").steps == () == Advice().steps
    assert telling.advice_of_last_photo(book.lots.story(lot_id)).to_json() == ADVICE
    book.stocks.weigh("red", 40, 1.6)
    assert telling.advice_of_last_photo(book.lots.story(lot_id)) is None
    book.photos.add(lot_id, MEASUREMENT, ADVICE)
    assert telling.advice_of_last_photo(book.lots.story(lot_id)).to_json() == ADVICE
    book.volumes.take_sample(lot_id, 20)
    assert telling.advice_of_last_photo(book.lots.story(lot_id)) is None


def test_the_story_escapes_and_strikes_out_and_tells_a_closing_once(book, lot_id):
    book.entries.add_note(lot_id, "<b>strained</b> twice", entered_by="<i>M</i>")
    entry = book.additions.add(lot_id, "red", drops=9)
    book.additions.correct(entry.id, reason="<u>miscounted</u>", drops=8)
    book.lots.close(lot_id, "matched", "Matched: the difference is 0.4 (between 0.0 and 1.1). Stop here.")
    story = book.lots.story(lot_id)
    told = "".join(telling.tell_rows(story).values())
    for tag in ("<b>", "<i>", "<u>"):
        assert tag not in told
    assert '<span class="gone">9 drops of red (0.45 ml, 4.5 mg)</span> (corrected later)' in told
    assert "8 drops of red" in told and "Photo 1: CIEDE2000 4.2 (3.1 to 5.0), paler, less red" in told
    assert telling.closing_panel(story.closing).count("Matched") == 1


def test_several_photos_of_a_state_are_told_as_one(book, lot_id):
    together = Together(photos=["Photo 1", "Photo 2", "Photo 3"], agree=True)
    advice = Advice.from_json(ADVICE)
    for combined, found in ((None, None), (together, together), (together.having(photos=["Photo 3"]), None)):
        assert telling.find_combined(book.lots.story(lot_id), advice.having(combined=combined)) == found
    assert telling.describe_photos(None) == "last photo"
    assert telling.describe_photos(together) == "last 3 photos"
    book.photos.add(lot_id, MEASUREMENT, advice.having(combined=together))
    # an addition since leaves no advice: what holds is that of the last photo
    assert telling.find_combined(book.lots.story(lot_id), Advice()) == together


def test_only_photos_thinned_as_the_last_one_lie_on_one_way(book, lot_id):
    for dilution in (1, 5, 5):
        book.photos.add(lot_id, MEASUREMENT | {"view": {"dilution": dilution}}, ADVICE)
    story = book.lots.story(lot_id)
    assert list(telling.alike_photos(story)) == [3, 4]
    book.photos.add(lot_id, MEASUREMENT | {"view": {"dilution": story.lot.dilution}}, ADVICE)
    alike = telling.alike_photos(book.lots.story(lot_id))
    assert list(alike) == [1, 2, 5] and alike[5].id > alike[2].id > alike[1].id
