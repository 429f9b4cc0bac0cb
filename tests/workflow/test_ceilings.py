"""Passed ceilings: one rule, whoever tells of them."""

import pytest

from colourmatch.workflow.ceilings import passed_ceilings
from colourmatch.workflow.closing import close_lot
from colourmatch.workflow.describing import describe_lot


@pytest.fixture
def lot_of(book):
    book.stocks.add("red", "E129", 1.0)

    def make(ml, **head):
        number = book.lots.begin(f"Aperitif {len(book.lots.search())}", 900, ["red"], **head).id
        book.additions.add(number, "red", ml=ml)
        return number

    return make


@pytest.mark.parametrize(
    "ml, head, passed",
    [
        (
            12,
            {},
            1,
        ),  # 132 mg/l; the EU allows 100 mg/l (Regulation (EC) No 1333/2008, calibration/limits.csv)
        (12, {"jurisdiction": "EU"}, 1),
        (12, {"jurisdiction": "US"}, 0),
        (6, {}, 0),
        (6, {"ceiling_mg_per_l": 50}, 1),
        (12, {"ceiling_mg_per_l": 50}, 2),
    ],
)
def test_a_passed_ceiling_is_told_with_and_without_a_place(book, lot_of, ml, head, passed):
    story = book.lots.story(lot_of(ml, **head))
    told = passed_ceilings(story)
    assert len(told) == passed and {one["code"] for one in told} <= {"ceiling"}
    unsaid = "jurisdiction" not in head and ml == 12
    assert any("EU" in one["text"] for one in told) or not unsaid


def test_it_stays_told_until_the_lot_is_closed(book, lot_of):
    number = lot_of(12)
    book.entries.add_note(number, "a day later")
    assert len(describe_lot(book, number)["warnings"]) == 1
    assert len(close_lot(book, number).warnings) == 1
