"""What Match asks: whether something went wrong by hand, where photos do not add up, and for water, where they are too strong."""

from functools import cache
from pathlib import Path

import pytest
from visiting import buttons, field, open_app, shown, tap, upload

from colourmatch.book.lot_book import LotBook
from colourmatch.screens import html as parts
from colourmatch.simulate.kitchen import Kitchen, take_photo
from colourmatch.workflow.lot import record_photos, view_of_photos

draw = cache(take_photo)
PHOTOS = Path(__file__).parents[1] / "photos"


@pytest.fixture
def mixed(book: LotBook) -> int:
    """A lot to which 30 drops of blue were noted, and whose photos show red."""
    book.stocks.add("red", "E129", 1.0)
    book.stocks.add("blue", "E133", 1.0)
    lot = book.lots.begin("Mixed", 900, ["blue"], dilution=5).id
    for drops, name in ((0, "ladder1-0.jpg"), (30, "ladder1-2.jpg")):
        if drops:
            book.additions.add(lot, "blue", drops=drops)
        record_photos(book, lot, [PHOTOS / name])
    return lot


def test_the_question_is_the_pages_answer_and_a_yes_after_a_no_puts_the_dose_right(book, mixed):
    app = open_app("match", mixed)
    (block,) = [line for line in shown(app).splitlines() if 'class="cm cm-answer' in line]
    assert "question" in block and "red" in block and "blue" in block
    advice = book.lots.story(mixed).photos[-1].advice
    assert shown(app).count(parts.as_html(advice.text)) == 1
    asked = buttons(app, "question-")
    assert len(asked) == 2
    next(button for button in app.button if button.label == asked[1]).click().run()
    (((question, *_), said),) = book.lots.story(mixed).answers.items()
    assert (question, said) == ("other-bottle", False) and asked != buttons(app, "question-")
    tap(app, "undo-")
    assert not book.lots.story(mixed).answers and buttons(app, "question-") == asked
    tap(app, "question-")
    assert not buttons(app, "question-")
    assert [entry.stock for entry in book.lots.story(mixed).additions] == ["red"]


@pytest.mark.parametrize(("thinned", "dilution"), [(True, 4.0), (False, 1.0)])
def test_the_photo_after_too_strong_a_one_is_taken_as_thinned_unless_it_is_not(book, red, thinned, dilution):
    lot = book.lots.begin("cordial", 900, [red]).id
    record_photos(book, lot, [(draw(Kitchen(), 1, dilution=1.0), "1.jpg")])
    app = open_app("match", lot)
    assert "Thin both 1+3, photograph" in shown(app)
    field(app, f"thinned-{lot}").set_value(thinned)
    upload(app, draw(Kitchen(), 2, dilution=dilution))
    story = book.lots.story(lot)
    assert not app.error and len(story.photos) == 2 and view_of_photos(story).dilution == dilution
    assert not [one for one in app.checkbox if str(one.key).startswith("thinned")]
