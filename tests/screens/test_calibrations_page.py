"""Card and phone: what belongs there when nothing is noted, a card kept and chosen, a phone told before and after."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from test_pages import by_key, open_app, shown

from colourmatch.book.calibrations import KNOWN
from colourmatch.book.lot_book import LotBook
from colourmatch.instrument import cards, phones
from colourmatch.instrument import phone_calibration as pc
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.phone import unknown_phone
from colourmatch.simulate import Light, Obstacle, Phone, Pose, Printer, Scene, render_photo, save_photo

GREYS = [0.74, 0.48, 0.33, 0.18, 0.085, 0.03]
LIQUIDS = [(3, 0), (6, 0), (12, 0), (0, 4), (0, 8), (4, 5), (8, 3)]


def keep_known(book: LotBook) -> None:
    """Known liquids as a camera of known truth would have read them, without drawing a photo."""
    for name, colourant in (("red", "E129"), ("yellow", "E102")):
        book.stocks.add(name, colourant, 1.0, strength_rel_sd=0.03)
    numbers = np.random.default_rng(4).normal(0, 1, len(unknown_phone().mean))
    shapes = np.array([find_colourant(e).absorptivity() for e in ("E129", "E102")])
    for red, yellow in LIQUIDS:
        reflectance = 10 ** (-2 * np.array([red, yellow], float) @ shapes)
        lab = pc.p3_to_lab(np.exp(pc.see(reflectance[None], numbers)))[0]
        spot = {
            "lab": [float(v) for v in lab],
            "lab_covariance": (np.eye(3) * 0.01).tolist(),
            "white": "blank",
        }
        held = {name: float(mg) for name, mg in (("red", red), ("yellow", yellow)) if mg}
        data = {
            "known": {"batch": held},
            "depth_mm": 10.0,
            "measurement": {"spots": {"batch": spot}, "quality": [], "card_profile": None},
        }
        book.calibrations.add(KNOWN, "A phone", data, light="window")


@pytest.fixture(scope="module")
def card_photo(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    corners = ((107.0, 72.0), (143.0, 72.0), (143.0, 108.0), (107.0, 108.0))
    scene = Scene(blank=None, obstacles=(Obstacle(corners, (0.18, 0.18, 0.18)),))
    drawn = render_photo(scene, Phone(), Light(), Pose(fill=0.85), seed=1, printer=Printer(gamma=1.1))
    path: Path = save_photo(drawn, tmp_path_factory.mktemp("card") / "card.jpg")
    return path.read_bytes()


def test_without_anything_the_page_says_what_belongs_there(book: LotBook) -> None:
    text = shown(open_app("calibrations"))
    assert "No printed card is noted" in text and "No phone is calibrated" in text
    assert "Add the stock first" in text


def test_a_card_is_kept_from_a_photo_and_its_name_is_asked_for(book: LotBook, card_photo: bytes) -> None:
    app = open_app("calibrations")
    by_key(app.file_uploader, "upload-card").set_value([("card.jpg", card_photo, "image/jpeg")]).run()
    assert "The name of the card is empty" in app.error[0].value
    by_key(app.text_input, "card-name").set_value("The <b>kitchen</b>").run()
    assert not app.exception
    (card,) = cards.list_cards(book)
    assert card["card"] == "The <b>kitchen</b>" and len(card["readings"]) == 1
    by_key(app.file_uploader, "upload-card").set_value([("note.jpg", b"no photo", "image/jpeg")])
    by_key(app.text_input, "card-name").set_value("The <b>kitchen</b>").run()
    assert "note.jpg: This is not a readable photo" in shown(app)
    assert len(cards.list_cards(book)[0]["readings"]) == 1


def test_a_card_is_chosen_and_forgotten(book: LotBook) -> None:
    cards.enter_card(book, "kitchen", GREYS, 0.004)
    app = open_app("calibrations")
    assert "0.740 ± 0.004 in the top row" in shown(app)
    by_key(app.button, "card-default-").click().run()
    assert cards.default_card(book) == "kitchen"
    assert "Photos of lots are now read with the card kitchen." in shown(app)
    by_key(app.button, "card-forget-").click().run()
    assert cards.list_cards(book) == [] and cards.default_card(book) is None


def test_a_phone_is_fitted_told_and_forgotten(book: LotBook) -> None:
    keep_known(book)
    app = open_app("calibrations")
    assert "7 readings of known liquids, not fitted yet" in shown(app)
    by_key(app.button, "phone-fit-").click().run()
    assert not app.exception and not app.error
    text = shown(app)
    fit = phones.read_phone(book)["fit"]
    assert f"{fit['median_before']:.1f}" in text and "liquids left out of the fit" in text
    assert "red 12 mg/l" in text and ", kept" in text and "of its label" in text
    by_key(app.button, "phone-forget-").click().run()
    assert phones.list_phones(book) == []


def test_what_is_missing_of_a_photo_is_asked_for(book: LotBook, card_photo: bytes) -> None:
    book.stocks.add("red", "E129", 1.0)
    app = open_app("calibrations")
    by_key(app.file_uploader, "upload-known").set_value(("known.jpg", card_photo, "image/jpeg")).run()
    assert "The light has no name" in app.error[0].value
    by_key(app.text_input, "known-light").set_value("window").run()
    assert "Say what is in the glasses" in app.error[0].value
    by_key(app.number_input, "known-batch-red").set_value(6.0).run()
    assert len(app.error) == 1 and phones.list_phones(book) == []


def test_a_lot_is_given_its_card(book: LotBook) -> None:

    book.stocks.add("red", "E129", 1.0)
    lot = book.lots.begin("Bitter", 900, ["red"]).id
    cards.enter_card(book, "kitchen", GREYS, 0.004)
    app = open_app("calibrations")
    by_key(app.button, "read-with-").click().run()
    assert "Choose a card or a light first." in app.error[0].value
    by_key(app.selectbox, "read-card-").set_value("kitchen").run()
    by_key(app.button, "read-with-").click().run()
    assert book.calibrations.lot_choice(lot) == {"card": "kitchen", "light": None}
    assert "are now read with the card kitchen." in shown(app)
