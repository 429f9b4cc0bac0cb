"""When photos do not add up Match asks, with two answers in the place of the act; an answer is written and can be undone."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest
from test_pages import by_key, shown
from test_undo import open_match, undo

from colourmatch.book.lot_book import LotBook
from colourmatch.screens import html as parts
from colourmatch.workflow.lot import record_photos

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


def answers(app: AppTest) -> list[str]:
    return [button.label for button in app.button if (button.key or "").startswith("question-")]


def test_the_question_is_the_answer_of_the_page_and_yes_puts_the_dose_right(
    book: LotBook, mixed: int
) -> None:
    app = open_match(mixed)
    (block,) = [line for line in shown(app).splitlines() if 'class="cm cm-answer' in line]
    assert "question" in block and "red" in block and "blue" in block
    advice = book.lots.story(mixed).photos[-1].advice or {}
    assert shown(app).count(parts.as_html(advice["text"])) == 1
    assert answers(app) == ["Yes, write it so", "No"]
    by_key(app.button, "question-").click().run()
    assert not app.exception and not answers(app)
    assert [entry.stock for entry in book.lots.story(mixed).additions] == ["red"]


def test_no_is_written_down_and_one_tap_takes_it_back(book: LotBook, mixed: int) -> None:
    app = open_match(mixed)
    no = next(button for button in app.button if button.label == "No")
    no.click().run()
    (said,) = book.lots.story(mixed).answers.items()
    assert said[0][0] == "other-bottle" and said[1] is False
    assert "other-bottle" not in str(answers(app))
    undo(app).click().run()
    assert not app.exception
    assert not book.lots.story(mixed).answers and answers(app) == ["Yes, write it so", "No"]
