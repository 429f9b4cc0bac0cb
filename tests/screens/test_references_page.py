"""References: noted in three ways, shown with their drift, and chosen for a lot, new or under way."""

import numpy as np
import pytest
from known_photos import close_measured, measured
from visiting import field, fill, open_app, refusal, shown, tap, upload

from colourmatch.book.lot_book import LotBook
from colourmatch.screens.references import tell_kept
from colourmatch.workflow.references import enter_reference


@pytest.fixture
def bottle(book: LotBook, red: str) -> int:
    """A reference read twice; the second reading is paler."""
    for lab in ([60, 45, 30], [66, 36, 24]):
        told = enter_reference(book, "The bottle", lab, lab_sd=[0.5] * 3, depth_mm=10, dilution=5)
    return told.reference


def test_a_colour_is_entered_with_its_spread_and_kept_once(book):
    app = open_app("set_up")
    assert "No reference is noted." in shown(app)
    fill(app, {"reference-way": "Entered colour"}).run()
    tap(fill(app, {"reference-name": "The <b>bottle</b>"}), "reference-enter")
    assert "A colour needs all three numbers." in refusal(app)
    assert field(app, "reference-name").value == "The <b>bottle</b>"
    fill(app, {"reference-L*": 60.5, "reference-a*": 45.0, "reference-b*": 30.0, "reference-dilution": 5.0})
    tap(app, "reference-enter")
    assert not app.error
    reading = book.references.readings("The <b>bottle</b>")
    assert [(one.lab, one.lab_sd, one.dilution) for one in reading] == [((60.5, 45, 30), (2, 2, 2), 5)]
    assert "L* 60.5 ± 2.0" in shown(app) and "<b>bottle" not in shown(app).replace(r"\<b", "")


def test_photos_give_readings_and_refused_or_known_ones_are_told(book, card_photo_bytes):
    app = upload(open_app("set_up"), card_photo_bytes, to="upload-reference")
    assert "The name of the reference is empty" in refusal(app)
    fill(app, {"reference-name": "Bottle"}).run()
    assert len(book.references.readings("Bottle")) == 1
    fill(app, {"reference-which": "Bottle"}).run()
    upload(app, b"no photo", "note.jpg", to="upload-reference")
    assert "note.jpg: This is not a readable photo" in shown(app)
    assert len(book.references.readings("Bottle")) == 1
    assert tell_kept("Bottle", 1, 0) == "The reference Bottle has 1 new reading."
    assert tell_kept("Bottle", 2, 1) == "The reference Bottle has 2 new readings: 1 photo was noted before."
    assert (
        tell_kept("Bottle", 0, 3) == "The reference Bottle has no new readings: 3 photos were noted before."
    )


def test_an_own_lot_becomes_a_reference(book, red):
    lot = close_measured(book, "B1", np.zeros(3))
    app = fill(open_app("set_up"), {"reference-way": "Own lot"}).run()
    assert field(app, "reference-source").value == lot
    tap(app, "reference-take")
    (reference,) = book.references.all()
    assert book.references.readings(reference.id)[0].lab == (76, 45, 31)


def test_drift_stands_beside_the_readings_and_a_new_lot_is_tinted_to_the_one_chosen(book, bottle):
    app = open_app("set_up")
    assert "drift CIEDE2000" in shown(app) and "from reading 1" in shown(app)
    fill(app, {"lot-name": "cordial", "lot-volume": 750.0, "lot-target": f"{bottle}/first"})
    assert "Photograph the reference that way, or give the lot the same" in refusal(tap(app, "lot-begin"))
    assert book.lots.count() == 0 and field(app, "lot-name").value == "cordial"
    tap(fill(app, {"lot-dilution": 5.0}), "lot-begin")
    (lot,) = book.lots.search()
    assert lot.target_lab == (60, 45, 30) and lot.reference_id == bottle
    assert "The lot is tinted to The bottle, the first reading: L* 60.0 ± 0.5" in shown(app)


def test_the_reading_can_be_chosen_later(book, bottle):
    lot = book.lots.begin("cordial", 750, ["red"], dilution=5).id
    app, which, choose = open_app("match", lot), f"target-{lot}-which", f"target-{lot}-choose"
    assert "Choose a reading first." in refusal(tap(app, choose))
    for choice, lab in ((f"{bottle}/mean", (63, 40.5, 27)), ("photo", None)):
        tap(fill(app, {which: choice}), choose)
        assert not app.error and book.lots.get(lot).target_lab == lab
        for shows in (app, open_app("lots", lot)):
            assert ("The bottle: L* 63.0 ± 0.5" in shown(shows)) is (lab is not None)


def test_a_lot_with_a_target_shows_how_far_a_photo_without_its_reference_is(book, bottle):
    lot = book.lots.begin("cordial", 750, ["red"], dilution=5, target_lab=[76, 45, 31]).id
    alone = measured(np.array([6.0, -8.0, -5.0])) | {"delta_e_2000": None, "difference": None}
    alone["spots"]["reference"] = None
    book.photos.add(lot, alone)
    text = shown(open_app("match", lot))
    assert "How far" in text and "of 1.5; CIEDE2000, 95 %" in text
    assert "Tinted to an entered colour: L* 76.0 ± 2.0" in text
    assert "the batch alone, L* 82.0 ± 2.0" in text
