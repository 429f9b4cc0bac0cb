"""References: noted in three ways, shown with their drift, and chosen for a lot, new or under way."""

from __future__ import annotations

import numpy as np
import pytest
from test_pages import by_key, open_app, shown
from test_trend_page import close_lot, measured

from colourmatch.book.lot_book import LotBook
from colourmatch.screens.references import tell_kept
from colourmatch.workflow.references import enter_reference


@pytest.fixture
def stocked(book: LotBook) -> LotBook:
    """A book with one stock."""
    book.stocks.add("red", "E129", 1.0)
    return book


@pytest.fixture
def bottle(stocked: LotBook) -> int:
    """A reference read twice; the second reading is paler."""
    for lab in ([60, 45, 30], [66, 36, 24]):
        told = enter_reference(stocked, "The bottle", lab, lab_sd=[0.5] * 3, depth_mm=10, dilution=5)
    return told["reference"]


def choose_way(app, way: str) -> None:
    by_key(app.get("button_group"), "reference-way").set_value(way).run()


def test_without_a_reference_the_page_says_what_belongs_there(book: LotBook) -> None:
    text = shown(open_app("set_up"))
    assert "No reference is noted." in text


def test_a_colour_is_entered_with_its_spread_and_kept_once(book: LotBook) -> None:
    app = open_app("set_up")
    choose_way(app, "Entered colour")
    by_key(app.text_input, "reference-name").set_value("The <b>bottle</b>").run()
    by_key(app.button, "reference-enter").click().run()
    assert "A colour needs all three numbers." in app.error[0].value
    assert by_key(app.text_input, "reference-name").value == "The <b>bottle</b>"
    for axis, value in (("L*", 60.5), ("a*", 45.0), ("b*", 30.0)):
        by_key(app.number_input, f"reference-{axis}").set_value(value)
    by_key(app.number_input, "reference-dilution").set_value(5.0)
    by_key(app.button, "reference-enter").click().run()
    assert not app.exception and not app.error
    reading = book.references.readings("The <b>bottle</b>")
    assert [(one.lab, one.lab_sd, one.dilution) for one in reading] == [((60.5, 45, 30), (2, 2, 2), 5)]
    text = shown(app)
    assert "L* 60.5 ± 2.0" in text and "There is one reading so far." in text
    assert "<b>bottle" not in text.replace(r"\<b", "")


def test_photos_give_readings_and_a_refused_one_is_named(book: LotBook, card_photo_bytes: bytes) -> None:
    app = open_app("set_up")
    uploader = by_key(app.file_uploader, "upload-reference")
    uploader.set_value([("first.jpg", card_photo_bytes, "image/jpeg")]).run()
    assert "The name of the reference is empty" in app.error[0].value
    by_key(app.text_input, "reference-name").set_value("Bottle").run()
    assert not app.exception
    assert len(book.references.readings("Bottle")) == 1
    assert "The reference Bottle has 1 new reading." in shown(app)
    by_key(app.selectbox, "reference-which").set_value("Bottle").run()
    by_key(app.file_uploader, "upload-reference").set_value([("note.jpg", b"no photo", "image/jpeg")]).run()
    assert "note.jpg: This is not a readable photo" in shown(app)
    assert len(book.references.readings("Bottle")) == 1


@pytest.mark.parametrize(
    ("kept", "repeated", "text"),
    [
        (1, 0, "The reference Bottle has 1 new reading."),
        (2, 1, "The reference Bottle has 2 new readings: 1 photo was noted before."),
        (0, 3, "The reference Bottle has no new readings: 3 photos were noted before."),
    ],
)
def test_photos_noted_before_do_not_count_as_new(kept: int, repeated: int, text: str) -> None:
    assert tell_kept("Bottle", kept, repeated) == text


def test_an_own_lot_becomes_a_reference(stocked: LotBook) -> None:
    lot = close_lot(stocked, "B1", np.zeros(3))
    app = open_app("set_up")
    choose_way(app, "Own lot")
    assert by_key(app.selectbox, "reference-source").value == lot
    by_key(app.button, "reference-take").click().run()
    assert not app.exception
    (reference,) = stocked.references.all()
    assert stocked.references.readings(reference.id)[0].lab == (76, 45, 31)


def test_drift_stands_beside_the_readings_with_its_interval(stocked: LotBook, bottle: int) -> None:
    text = shown(open_app("set_up"))
    assert "The reference has turned" in text
    assert "drift CIEDE2000" in text and "from reading 1" in text


def begin(app, **figures: float) -> None:
    by_key(app.text_input, "lot-name").set_value("cordial")
    by_key(app.number_input, "lot-volume").set_value(750.0)
    for name, value in figures.items():
        by_key(app.number_input, f"lot-{name}").set_value(value)
    by_key(app.button, "lot-begin").click()
    app.run()


def test_a_new_lot_is_tinted_to_the_reading_chosen(stocked: LotBook, bottle: int) -> None:
    app = open_app("set_up")
    by_key(app.selectbox, "lot-target").set_value((bottle, "first"))
    begin(app, dilution=5.0)
    assert not app.exception and not app.error
    lot = stocked.lots.search()[0]
    assert lot.target_lab == (60, 45, 30) and lot.reference_id == bottle
    text = shown(app)
    assert "The lot is tinted to The bottle, the first reading: L* 60.0 ± 0.5" in text
    assert "; tinted to L* 60.0" in text


def test_a_reading_of_another_dilution_is_refused_before_the_lot_is_begun(
    stocked: LotBook, bottle: int
) -> None:
    app = open_app("set_up")
    by_key(app.selectbox, "lot-target").set_value((bottle, "latest"))
    begin(app)
    assert "Give the lot the same, or read the reference that way" in app.error[0].value
    assert stocked.lots.count() == 0
    assert by_key(app.text_input, "lot-name").value == "cordial"


def test_the_reading_can_be_chosen_later(stocked: LotBook, bottle: int) -> None:
    lot = stocked.lots.begin("cordial", 750, ["red"], dilution=5).id
    app = open_app("match", lot=str(lot))
    by_key(app.button, f"target-{lot}-choose").click().run()
    assert "Choose a reading first." in app.error[0].value
    which = by_key(app.selectbox, f"target-{lot}-which")
    which.set_value(f"{bottle}/mean")
    by_key(app.button, f"target-{lot}-choose").click().run()
    assert not app.exception and not app.error
    assert stocked.lots.get(lot).target_lab == (63, 40.5, 27)
    assert "The bottle: L* 63.0 ± 0.5" in shown(app)
    assert "The bottle: L* 63.0 ± 0.5" in shown(open_app("lots", lot=str(lot)))
    which = by_key(app.selectbox, f"target-{lot}-which")
    which.set_value("photo")
    by_key(app.button, f"target-{lot}-choose").click().run()
    assert not app.exception and not app.error
    assert stocked.lots.get(lot).target_lab is None
    assert "Put right: tinted to the reference in the photo" in shown(app)


def test_serving_conditions_are_kept_and_told(stocked: LotBook) -> None:
    app = open_app("set_up")
    by_key(app.text_input, "lot-serving-1-name").set_value("long drink")
    by_key(app.number_input, "lot-serving-1-depth").set_value(60.0)
    by_key(app.number_input, "lot-serving-1-dilution").set_value(4.0)
    by_key(app.selectbox, "lot-serving-1-light").set_value("A")
    by_key(app.number_input, "lot-serving-1-weight").set_value(2.0)
    by_key(app.text_input, "lot-serving-2-name").set_value("neat")
    begin(app)
    assert not app.exception and not app.error
    lot = stocked.lots.search()[0]
    assert lot.serving == {
        "conditions": [
            {"name": "long drink", "depth_mm": 60, "dilution": 4, "illuminant": "A", "weight": 2},
            {"name": "neat", "weight": 1},
        ]
    }
    text = shown(open_app("lots", lot=str(lot.id)))
    assert "light A, weight 2); neat" in text


def test_every_light_offered_is_on_file() -> None:
    from colourmatch.colour.spectra import name_illuminant
    from colourmatch.screens.new_lot import LIGHTS

    assert [name_illuminant(name) for name in LIGHTS] == list(LIGHTS)


def test_a_lot_with_a_target_shows_how_far_a_photo_without_its_reference_is(
    stocked: LotBook, bottle: int
) -> None:
    lot = stocked.lots.begin("cordial", 750, ["red"], dilution=5, target_lab=[76, 45, 31]).id
    alone = measured(np.array([6.0, -8.0, -5.0]))
    alone |= {"delta_e_2000": None, "difference": None}
    alone["spots"]["reference"] = None
    stocked.photos.add(lot, alone)
    app = open_app("match", lot=str(lot))
    assert not app.exception
    text = shown(app)
    assert "How far" in text and "of 1.5; CIEDE2000, 95 %" in text
    assert "Tinted to an entered colour: L* 76.0 ± 2.0" in text
    assert "the batch alone, L* 82.0 ± 2.0" in text
