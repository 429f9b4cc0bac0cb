"""Card and phone: what belongs there when nothing is noted, a card kept and chosen, a phone told before and after."""

from pathlib import Path

import numpy as np
import pytest
from drawn import Phone, Printer
from known_cameras import draw_phone, reflect, see_lab
from known_photos import photograph_grey
from visiting import field, fill, open_app, refusal, shown, tap, upload

from colourmatch.book.calibrations import KNOWN, LotChoice
from colourmatch.book.lot_book import LotBook
from colourmatch.instrument import cards, phones

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
