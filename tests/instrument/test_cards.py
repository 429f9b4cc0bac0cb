"""Printed cards in the book: entered and read, a default, forgotten; a photo is read with one and says so."""

import json
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from drawn import Light, Phone, Pose, Printer, Scene, drink_transmittance, render_photo, save_photo
from known_photos import photograph_grey

from colourmatch.book.calibrations import LotChoice
from colourmatch.errors import InputError, NotFoundError
from colourmatch.instrument import cards
from colourmatch.instrument.incoming import lot_reader, note_for_lot
from colourmatch.workflow.describing import describe_lot
from colourmatch.workflow.lot import record_photos

GREYS = [0.74, 0.48, 0.33, 0.18, 0.085, 0.03]
PRINTER = Printer(gamma=1.1, seed=4)
POSE = Pose(fill=0.85, width_px=1512, height_px=1134)


class Drawn(NamedTuple):
    """A photo of an empty card with a grey one, the grey's rectangle, and a photo of two glasses; by one printer."""

    card: Path
    grey: tuple[int, int, int, int]
    glasses: Path


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Drawn:
    card, phone = tmp_path_factory.mktemp("drawn") / "card.jpg", Phone(s_curve=0.35)
    grey = photograph_grey(card, PRINTER, phone, seed=7)
    scene = Scene(drink_transmittance({"E129": 9.0}), drink_transmittance({"E129": 6.0}))
    photo = render_photo(scene, phone, Light(), POSE, seed=7, printer=PRINTER)
    return Drawn(card, grey, save_photo(photo, card.with_name("glasses.jpg")))


def test_entered_greys_are_kept_and_compared_with_what_was_drawn(book):
    told = cards.enter_card(book, "Kitchen", GREYS, 0.004, entered_by="me")
    assert told.card == "Kitchen" and len(told.greys) == 12
    assert told.greys[6].reflectance == pytest.approx(0.74, abs=1e-3)
    assert "The grey of 0.04 prints 25 % darker than drawn." in told.text
    again = cards.enter_card(book, "kitchen", GREYS, 0.004)
    assert len(again.readings) == 2 and again.greys[3].sd < told.greys[3].sd
    assert [one.card for one in cards.list_cards(book)] == ["kitchen"]


def test_a_default_is_chosen_taken_back_and_gone_when_forgotten(book):
    cards.enter_card(book, "kitchen", GREYS)
    assert cards.card_profile(book, None) is None
    cards.choose_card(book, "Kitchen")
    profile = cards.card_profile(book, None)
    assert profile is not None and profile.named.name == "kitchen"
    cards.choose_card(book, None)
    assert cards.card_profile(book, None) is None
    cards.choose_card(book, "kitchen")
    cards.forget_card(book, "kitchen")
    assert cards.default_card(book) is None and cards.list_cards(book) == []
    with pytest.raises(NotFoundError, match="card-profile add NAME PHOTO"):
        cards.read_card_profile(book, "kitchen")
    cards.enter_card(book, "kitchen", GREYS)
    assert len(cards.read_card_profile(book, "kitchen").readings) == 1


def test_a_photo_beside_a_grey_card_and_what_it_changes(book, drawn):
    told = cards.photograph_card(book, "kitchen", [drawn.card, (b"no photo", "note.jpg")], drawn.grey)
    assert told.photos[0].entry and "not a readable photo" in told.photos[1].error
    true = np.array([grey.nominal for grey in told.greys]) ** 1.1
    found = np.array([grey.reflectance for grey in told.greys])
    assert np.abs(np.log(found / true))[:5].max() < 0.08
    change = cards.compare_card(book, "kitchen", drawn.glasses)
    for one in (told, change):
        assert type(one).from_json(json.loads(json.dumps(one.to_json()))) == one
    assert change.changed["reference"].delta_e_2000 > 0.1
    assert change.changed["blank"].delta_e_2000 < 0.05
    spots = (one.spots["reference"] for one in (change.before, change.after))
    before, after = (np.trace(spot.tone_covariance) for spot in spots)
    assert after <= before


def test_a_lot_is_read_with_its_card_and_says_so(book, drawn, lot):
    cards.enter_card(book, "kitchen", list(np.array([0.75, 0.5, 0.35, 0.2, 0.1, 0.04]) ** 1.1), 0.004)
    note_for_lot(book, lot, card="kitchen")
    assert book.calibrations.lot_choice(lot) == LotChoice("kitchen")
    told = record_photos(book, lot, [drawn.glasses])[0].to_json()
    assert told["card_profile"]["name"] == "kitchen" and told["calibration"] is None
    assert describe_lot(book, lot)["read_with"]["card"] == "kitchen"
    assert book.archive.check() == []
    cards.forget_card(book, "kitchen")
    assert lot_reader(book, lot).card is None


def test_an_unknown_card_or_light_and_impossible_greys_are_refused(book, lot):
    with pytest.raises(NotFoundError, match="There is no card"):
        note_for_lot(book, lot, card="none")
    with pytest.raises(NotFoundError, match="No phone is calibrated in a light 'window'"):
        note_for_lot(book, lot, light="window")
    assert book.calibrations.lot_choice(lot) == LotChoice()
    with pytest.raises(InputError, match="Check their order"):
        cards.enter_card(book, "kitchen", GREYS[::-1])
    with pytest.raises(InputError):
        cards.enter_card(book, "", GREYS)
    assert cards.list_cards(book) == []
