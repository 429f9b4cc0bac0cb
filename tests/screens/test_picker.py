"""White and liquids marked on a photo by number fields; finger, mouse and keys are tried in tests/browser/."""

from typing import Any

import pytest
from batches import BOXES, draw_vessels
from visiting import field, fill, go_to, open_app, shown, tap, upload

from colourmatch.book.lot_book import LotBook
from colourmatch.screens.picker import carry_boxes, fit_box, take_boxes

AXES = ("x", "y", "width", "height")


def mark(app: Any, boxes: dict[str, tuple[int, ...]]) -> Any:
    """Type all numbers."""
    for name, box in boxes.items():
        for axis, value in zip(AXES, box, strict=True):
            find_number(app, name, axis).set_value(value)
    app.run()
    assert not app.exception
    return app


def find_number(app: Any, name: str, axis: str) -> Any:
    return next(f for f in app.number_input if (f.key or "").endswith(f"-{name}-{axis}"))


@pytest.fixture
def marked(book: LotBook) -> Any:
    """The page with one photo whose rectangles are typed."""
    app = open_app("picker")
    assert "Mark all three" in shown(app)
    upload(app, draw_vessels())
    assert "the difference appears here" in shown(app)
    return mark(app, BOXES)


def test_rectangles_are_held_inside_the_photo_and_come_along_to_another():
    sent = {"white": [-5, 2.4, 40, 50], "reference": [90, 90, 40, 50], "batch": [1, 2, 0, 4], "more": [1] * 4}
    assert take_boxes(sent, (100, 80)) == {"white": [0, 2, 40, 50], "reference": [60, 30, 40, 50]}
    wrong = ({"white": box} for box in ("x", [1, 2, float("nan"), 4], [1, None, 3, 4]))
    for nonsense in (None, 3, [], *wrong):
        assert take_boxes(nonsense, (100, 80)) == {}
    assert fit_box([10, 10, 900, 900], (100, 80)) == [0, 0, 100, 80]
    boxes = {"white": [10.0, 20.0, 30.0, 40.0], "reference": [None] * 4}
    assert carry_boxes(boxes, (100, 80), (200, 160)) == {"white": [20, 40, 60, 80]}


def test_marked_liquids_give_numbers_and_the_marks_stay_for_the_next_photo(marked):
    text = shown(marked)
    assert "CIEDE2000, this photo, with its 95 % interval" in text and "against your white" in text
    assert "Which way" in text and ">Reference<" in text and ">Batch<" in text
    go_to(go_to(marked, "help"), "picker")
    for name, box in BOXES.items():
        assert tuple(find_number(marked, name, axis).value for axis in AXES) == box
    upload(marked, draw_vessels(4), "again.jpg")
    assert find_number(marked, "batch", "x").value == BOXES["batch"][0]
    assert "2 photos together, 95 % interval" in shown(marked) and "2 photos agree." in shown(marked)
    upload(marked, draw_vessels(2), "third.jpg")
    # on the third photo the liquids are marked the other way round
    mark(marked, {"batch": (400, 310, 60, 60), "reference": (830, 340, 150, 190)})
    assert "Photo 3 disagrees" in shown(marked)


def test_what_cannot_be_measured_is_said_and_the_numbers_stay(marked):
    mark(marked, {"batch": (430, 340, 160, 200)})
    assert "The reference and the batch rectangle overlap" in shown(marked)
    assert find_number(marked, "batch", "x").value == 430
    upload(marked, b"nothing", "x.jpg")
    assert "its format is not known" in shown(marked)


def test_a_grey_card_has_its_reflectance(marked):
    fill(marked, {"picker-white": "grey card"}).run()
    assert field(marked, "picker-grey").value == 18
    assert "against your white" in shown(marked)


def test_a_marked_photo_goes_into_a_lot(book, red):
    lot = book.lots.begin("bitter", 900, [red]).id
    app = mark(upload(open_app("picker"), draw_vessels()), BOXES)
    tap(app, "picker-record")
    (kept,) = book.lots.story(lot).photos
    assert kept.measurement.rectangles["batch"] == list(BOXES["batch"])
