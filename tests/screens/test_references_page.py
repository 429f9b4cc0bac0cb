"""References, cards and phones on their pages: noted, kept, shown with their drift, chosen and forgotten."""

import re
from pathlib import Path

import numpy as np
import pytest
from drawn import Phone, Printer
from known_cameras import draw_phone, reflect, see_lab
from known_photos import close_measured, measured, photograph_grey
from visiting import field, fill, open_app, refusal, shown, tap, upload

from colourmatch.book.calibrations import KNOWN, LotChoice
from colourmatch.book.lot_book import LotBook
from colourmatch.errors import BookError
from colourmatch.instrument import cards, phones
from colourmatch.screens.references import tell_kept
from colourmatch.workflow import references as known_references
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
    known = tell_kept("Bottle", 0, 3)
    assert known == "The reference Bottle has no new readings: 3 photos were noted before."


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


def test_a_damaged_reading_takes_only_the_targets_interval(book, red, monkeypatch):
    lot = book.lots.begin("cordial", 750, [red], dilution=5, target_lab=[76, 45, 31]).id

    def damaged(*_: object) -> None:
        raise BookError("damaged")

    monkeypatch.setattr(known_references, "target_covariance", damaged)
    app = open_app("lots", lot)
    assert not app.error and "an entered colour: L* 76.0" in shown(app)


def test_a_lot_with_a_target_shows_how_far_a_photo_without_its_reference_is(book, bottle):
    lot = book.lots.begin("cordial", 750, ["red"], dilution=5, target_lab=[76, 45, 31]).id
    alone = measured(np.array([6.0, -8.0, -5.0])) | {"delta_e_2000": None, "difference": None}
    alone["spots"]["reference"] = None
    book.photos.add(lot, alone)
    text = shown(open_app("match", lot))
    assert "How far" in text and re.search(r"of 1\.5 \(\d+ % likely within\); CIEDE2000, 95 %", text)
    assert "Tinted to an entered colour: L* 76.0 ± 2.0" in text
    assert "the batch alone, L* 82.0 ± 2.0" in text


GREYS = [0.74, 0.48, 0.33, 0.18, 0.085, 0.03]
LIQUIDS = [(3, 0), (6, 0), (12, 0), (0, 4), (0, 8), (4, 5), (8, 3)]


def keep_known(book: LotBook) -> None:
    """Known liquids as a camera of known truth would have read them, without drawing a photo."""
    for name, colourant in (("red", "E129"), ("yellow", "E102")):
        book.stocks.add(name, colourant, 1.0, strength_rel_sd=0.03)
    phone = draw_phone(4)
    for red, yellow in LIQUIDS:
        lab = see_lab(reflect((red, yellow)), phone)
        spot = {"lab": lab.tolist(), "lab_covariance": (np.eye(3) * 0.01).tolist(), "white": "blank"}
        held = {name: float(mg) for name, mg in (("red", red), ("yellow", yellow)) if mg}
        measured = {"spots": {"batch": spot}, "quality": [], "card_profile": None}
        data = {"known": {"batch": held}, "depth_mm": 10.0, "measurement": measured}
        book.calibrations.add(KNOWN, "A phone", data, light="window")


@pytest.fixture(scope="module")
def card_photo(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path: Path = tmp_path_factory.mktemp("card") / "card.jpg"
    photograph_grey(path, Printer(gamma=1.1), Phone(), seed=1)
    return path.read_bytes()


def test_a_card_is_kept_from_a_photo_and_its_name_is_asked_for(book, card_photo):
    app, name = open_app("calibrations"), "The <b>kitchen</b>"
    text = shown(app)
    for words in ("No printed card is noted", "No phone is calibrated", "Add the stock first"):
        assert words in text
    upload(app, card_photo, to="upload-card")
    assert "The name of the card is empty" in refusal(app)
    fill(app, {"card-name": name}).run()
    (card,) = cards.list_cards(book)
    assert card.card == name and len(card.readings) == 1
    upload(app, b"no photo", "note.jpg", to="upload-card")
    fill(app, {"card-name": name}).run()
    assert "note.jpg: This is not a readable photo" in shown(app)
    assert len(cards.list_cards(book)[0].readings) == 1


def test_a_card_is_chosen_for_one_lot_or_all_and_forgotten(book, lot_id):
    cards.enter_card(book, "kitchen", GREYS, 0.004)
    app = open_app("calibrations")
    assert "0.740 ± 0.004 in the top row" in shown(app)
    assert "Choose a card or a light first." in refusal(tap(app, "read-with-"))
    newer = book.lots.begin("newer", 500, ["red"]).id
    assert field(app, "read-with-lot").value == lot_id and field(app.run(), "read-with-lot").value == newer
    tap(fill(app, {"read-card-": "kitchen"}), "read-with-")
    assert book.calibrations.lot_choice(newer) == LotChoice("kitchen")
    assert "are now read with the card kitchen." in shown(app)
    tap(app, "card-default-")
    assert cards.default_card(book) == "kitchen"
    tap(app, "card-forget-")
    assert cards.list_cards(book) == [] and cards.default_card(book) is None


def test_a_phone_is_fitted_told_and_forgotten(book):
    keep_known(book)
    app = open_app("calibrations")
    assert "7 readings of known liquids, not fitted yet" in shown(app)
    tap(app, "phone-fit-")
    assert not app.error
    fit = phones.read_phone(book).fit
    assert fit is not None and f"{fit.median_before:.1f}" in shown(app) and "red 12 mg/l" in shown(app)
    tap(app, "phone-forget-")
    assert phones.list_phones(book) == []


def test_what_is_missing_of_a_photo_is_asked_for(book, red, card_photo):
    app = upload(open_app("calibrations"), card_photo, "known.jpg", to="upload-known")
    assert "The name of the light is empty" in refusal(app)
    assert "Say what is in the glasses" in refusal(fill(app, {"known-light": "window"}).run())
    assert refusal(fill(app, {"known-batch-red": 6.0}).run()) and phones.list_phones(book) == []
