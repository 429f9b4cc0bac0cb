"""Phones, cards and photos that come in: known liquids, fits and what they do, a card's greys, what is known already."""

import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import drawn
import numpy as np
import pytest
from drawn import Light, Phone, Pose, Printer, Scene, drink_transmittance, render_photo, save_photo
from known_photos import photograph_grey

from colourmatch.book.calibrations import FIT, LotChoice
from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.book.photo_store import hash_photo
from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spectra import planck_spectrum
from colourmatch.errors import InputError, NotFoundError
from colourmatch.instrument import cards, incoming, kept_fits, phones
from colourmatch.instrument.incoming import (
    IncomingPhoto,
    lot_reader,
    note_for_lot,
    open_reader,
    take_in_for_lot,
)
from colourmatch.measurement import LIQUIDS, Measurement
from colourmatch.photo import measure
from colourmatch.photo.measure import measure_or_refuse
from colourmatch.workflow.describing import describe_lot
from colourmatch.workflow.lot import record_photos
from colourmatch.workflow.recheck import read_drift, record_recheck
from colourmatch.workflow.references import read_reference, record_reference

PHONE = Phone("Phone A", name="A phone", gamut="p3", saturation=1.15, matrix_error=0.03, matrix_seed=5)
SITTING = [
    ({"red": 3}, {"red": 6}),
    ({"red": 12}, {"yellow": 3}),
    ({"yellow": 7}, {"red": 4, "yellow": 5}),
    ({"red": 8, "yellow": 3}, {"red": 12}),
]
E = {"red": "E129", "yellow": "E102"}


def take(folder: Path, seed: int, reference: np.ndarray | None, batch: np.ndarray | None) -> Path:
    pose = drawn.Pose(fill=0.8, tilt_degrees=4, azimuth_degrees=70.0 * seed, width_px=1512, height_px=1134)
    scene, lamp = drawn.Scene(reference, batch), drawn.Light(planck_spectrum(5000))
    return drawn.save_photo(drawn.render_photo(scene, PHONE, lamp, pose, seed=seed), folder / f"{seed}.jpg")


def mix(held: dict[str, float]) -> np.ndarray:
    return drink_transmittance({E[name]: mg for name, mg in held.items()})


@pytest.fixture(scope="module")
def sitting(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Four photos of known liquids, one of two other drinks, one of a lot that is begun."""
    folder = tmp_path_factory.mktemp("sitting")
    known = [take(folder, k, mix(left), mix(right)) for k, (left, right) in enumerate(SITTING)]
    drinks = [drink_transmittance({"E124": mg}, yellow_a430=0.08) for mg in (11.0, 9.0)]
    begun = [drink_transmittance({"E129": mg}, yellow_a430=0.08) for mg in (11.0, 0.0)]
    return [*known, take(folder, 9, *drinks), take(folder, 10, *begun)]


@pytest.fixture
def plain(sitting: list[Path]) -> dict[str, Any]:
    """The photo of two other drinks as it is read without a correction."""
    return measure_or_refuse(sitting[4]).to_json()


@pytest.fixture
def stocked(book: LotBook) -> LotBook:
    for name, colourant in E.items():
        book.stocks.add(name, colourant, 1.0, strength_rel_sd=0.02)
    return book


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory, sitting: list[Path]) -> Path:
    """A book with a whole sitting, fitted."""
    path = tmp_path_factory.mktemp("kept") / "book.sqlite"
    with open_book(path) as book:
        for name, colourant in E.items():
            book.stocks.add(name, colourant, 1.0, strength_rel_sd=0.02)
        for photo, (left, right) in zip(sitting[:4], SITTING, strict=True):
            phones.add_known_photo(book, photo, "window", {"reference": left, "batch": right})
        phones.fit_known(book)
    return path


@pytest.fixture
def calibrated(kept: Path, tmp_path: Path) -> Iterator[LotBook]:
    """A copy of it of the test's own."""
    shutil.copytree(kept.parent, tmp_path / "copy")
    with open_book(tmp_path / "copy" / "book.sqlite") as book:
        yield book


def test_a_sitting_is_kept_fitted_and_told(calibrated):
    told = phones.read_phone(calibrated)
    assert (told.phone, told.light, len(told.photos)) == ("A phone", "window", 4)
    fit = told.fit
    assert fit is not None and fit.median_after < 0.6 * fit.median_before
    assert len(fit.liquids) == 8 and set(fit.errors) == {"none", "camera"}
    for one in fit.strengths:
        assert one.low < 1.0 < one.high
    assert "Known liquids left out of the fit: median error" in told.text
    assert phones.PhoneTold.from_json(json.loads(json.dumps(told.to_json()))) == told
    assert [one.phone for one in phones.list_phones(calibrated)] == ["A phone"]
    assert calibrated.archive.check() == []
    assert len(list(calibrated.photo_store.names())) == 4


def finish(reader: incoming.Reader, plain: dict[str, Any]) -> dict[str, Any]:
    """What a reader makes of a measurement, both as JSON."""
    return reader.finish(Measurement.from_json(plain)).to_json()


def uncorrected(read: dict[str, Any]) -> list[float]:
    """What the fit of a lot starts from."""
    return Measurement.from_json(read).uncorrected("batch").lab.tolist()


def test_a_photo_is_nearer_the_truth_with_less_doubt(calibrated, plain):
    read = finish(incoming.open_reader(calibrated, light="window"), plain)
    before, after = [], []
    for spot, mg in (("reference", 11.0), ("batch", 9.0)):
        lab = drawn.lab_relative_to_water(drink_transmittance({"E124": mg}, yellow_a430=0.08))
        before.append(ciede2000(plain["spots"][spot]["lab"], lab))
        after.append(ciede2000(read["spots"][spot]["lab"], lab))
        assert read["spots"][spot]["as_read"]["lab"] == plain["spots"][spot]["lab"]
        z = (np.array(read["spots"][spot]["lab"]) - lab) / read["spots"][spot]["lab_sd"]
        assert np.all(np.abs(z) < 3)
        assert np.linalg.norm(read["spots"][spot]["lab_sd"]) < np.linalg.norm(plain["spots"][spot]["lab_sd"])
    assert np.mean(after) < np.mean(before)
    assert read["calibration"]["light"] == "window"
    assert read["as_read"]["delta_e_2000"] == plain["delta_e_2000"]
    seen, was = read["delta_e_2000"], plain["delta_e_2000"]
    assert seen["high"] - seen["low"] < was["high"] - was["low"]
    assert set(read["uncertainty"]) == {"photo", "scene", "phone", "lost"}


def test_photos_are_read_under_the_curve_of_the_sitting_where_their_greys_lie_on_it(calibrated, plain):
    reader = incoming.open_reader(calibrated, light="window")
    read = finish(reader, plain)
    assert read["calibration"]["tones"] == "sitting"
    batch = read["spots"]["batch"]
    assert batch["toned"] and uncorrected(read) == batch["toned"]["lab"] != batch["as_read"]["lab"]
    bent = [[0.5 * value, paper] for value, paper in plain["tone"]["greys"]]
    other = finish(reader, plain | {"tone": plain["tone"] | {"greys": bent}})
    assert other["calibration"]["tones"] == "photo"
    assert uncorrected(other) == pytest.approx(other["spots"]["batch"]["plain"]["lab"], abs=0.01)
    assert np.all(np.array(other["spots"]["batch"]["lab_sd"]) > 0.99 * np.array(batch["lab_sd"]))
    before_tones = finish(reader, {k: v for k, v in plain.items() if k != "tone"})
    for spot in LIQUIDS:
        assert before_tones["spots"][spot]["lab"] == pytest.approx(other["spots"][spot]["lab"], abs=0.02)


def test_a_calibration_that_says_little_changes_little(calibrated, plain):
    found = kept_fits.find_calibration(calibrated, "A phone")
    assert found is not None

    def read(**changed: Any) -> dict[str, Any]:
        correction = found._replace(fit=replace(found.fit, **changed))
        return incoming.calibrate(Measurement.from_json(plain), correction).to_json()

    moved = read()["spots"]["batch"]["lab"]
    assert ciede2000(moved, plain["spots"]["batch"]["lab"]) > 1
    useless = np.full(3, 10.0)  # it misses unseen liquids by ten times their distance from water
    same, wider = read(left_out=useless), read(left_out=useless, strain=2.0)
    for spot in LIQUIDS:
        assert same["spots"][spot]["lab"] == wider["spots"][spot]["lab"] == plain["spots"][spot]["lab"]
        assert same["spots"][spot]["lab_sd"] == plain["spots"][spot]["lab_sd"]
        twice = 2 * np.array(plain["spots"][spot]["lab_sd"])
        assert wider["spots"][spot]["lab_sd"] == pytest.approx(twice, abs=2e-3)
    was, now = plain["delta_e_2000"], wider["delta_e_2000"]
    assert same["delta_e_2000"] == was and now["value"] == pytest.approx(was["value"], abs=0.01)
    assert now["low"] < was["low"] and was["high"] < now["high"]


def test_a_fit_of_an_earlier_camera_model_is_made_again_of_its_liquids(calibrated, plain):
    today = finish(incoming.open_reader(calibrated, light="window"), plain)
    entry = calibrated.calibrations.of((FIT,))[-1]
    before = {k: v for k, v in entry.data.items() if k != "model"} | {"kind": "matrix", "numbers": [0.0] * 12}
    old = calibrated.calibrations.add(FIT, entry.name, before, light=entry.light)
    read = finish(incoming.open_reader(calibrated, light="window"), plain)
    assert read["calibration"] == today["calibration"] | {"entry": old.id}
    assert read["spots"]["batch"]["lab"] == pytest.approx(today["spots"]["batch"]["lab"], abs=0.02)
    assert calibrated.calibrations.of((FIT,))[-1].data == before, "what is recorded stays"
    assert phones.read_phone(calibrated).fit.median_after < 2


def test_a_light_that_was_not_calibrated_is_refused_and_an_unknown_phone_read_plainly(calibrated, plain):
    with pytest.raises(NotFoundError, match="It is in: window"):
        finish(incoming.open_reader(calibrated, light="lamp"), plain)
    other = finish(incoming.open_reader(calibrated), plain | {"phone": "Another"})
    assert other["calibration"] is None and other["spots"] == plain["spots"]


def test_the_only_light_of_a_phone_is_taken_for_lots_and_their_fit_starts_from_it(calibrated, sitting):
    lot = calibrated.lots.begin("Bitter", 900, ["red"]).id
    told = record_photos(calibrated, lot, [sitting[5]])[0].to_json()
    assert told["calibration"]["light"] == "window"
    seen = Measurement.from_json(told)
    assert kept_fits.camera_key(seen).endswith("|window")
    assert told["advice"]["action"] == "add", told["advice"]["text"]
    priors = kept_fits.phone_priors(calibrated, [seen])
    fit = phones.read_phone(calibrated).fit
    kind = fit and fit.kind
    assert set(priors) == ({kept_fits.camera_key(seen)} if kind == "camera" else set())


def test_what_a_sitting_lacks_is_asked_for_and_forgotten_is_forgotten(stocked, sitting):
    blank = {"blank": {"red": 3}}, "no spot for a known liquid"
    nothing, nowhere = ({}, "Say what is in the glasses"), ({"batch": {}}, "needs at least one stock")
    for known, text in (nothing, blank, nowhere):
        with pytest.raises(InputError, match=text):
            phones.add_known_photo(stocked, sitting[0], "window", known)
    # 20 drops of 0.05 ml and 1 ml in 250 ml of 10 mg/ml
    held = phones.mix_known(stocked, {"red": (20, "drops"), "yellow": (1.0, "ml")}, 248)
    assert held == pytest.approx({"red": 40.0, "yellow": 40.0})
    phones.add_known_photo(stocked, sitting[0], "lamp", {"batch": {"red": 6}})
    with pytest.raises(InputError, match="1 different known liquid is too few"):
        phones.fit_known(stocked)
    told = phones.read_phone(stocked)
    assert told.fit is None and "not fitted yet" in told.text
    phones.add_known_photo(stocked, sitting[0], "window", {"batch": {"red": 6}})
    with pytest.raises(InputError, match="Say which with --phone and --light"):
        phones.read_phone(stocked)
    assert phones.read_phone(stocked, light="Lamp").light == "lamp"
    with pytest.raises(NotFoundError, match="Near it: window"):
        phones.read_phone(stocked, light="windw")
    for light in ("lamp", "window"):
        phones.forget_phone(stocked, light=light)
    assert phones.list_phones(stocked) == [] and kept_fits.find_calibration(stocked, "A phone") is None
    with pytest.raises(NotFoundError, match="No phone has known liquids yet"):
        phones.read_phone(stocked)


def test_rechecks_and_references_are_read_with_it_too(calibrated, sitting):
    (sent,) = record_reference(calibrated, "The bottle", [sitting[4]], light="window")
    read = sent.measurement
    assert read.calibration.light == "window" and sent.entry is not None
    seen = read.spots["reference"]
    assert read_reference(calibrated, "The bottle").readings[0].lab == seen.lab.tolist()
    assert (seen.as_read.lab != seen.lab).any()
    with pytest.raises(NotFoundError, match="It is in: window"):
        record_reference(calibrated, "The bottle", [sitting[5]], light="lamp")
    lot = calibrated.lots.begin("Bitter", 900, ["red"]).id
    record_photos(calibrated, lot, [sitting[5]])
    calibrated.lots.close(lot, "matched")
    (found,) = record_recheck(calibrated, lot, [sitting[4]])
    assert found.measurement.calibration.light == "window" and found.entry is not None


def test_a_correction_that_came_in_between_is_no_drift(calibrated, plain):
    plain |= {"calibration": None}
    read = finish(incoming.open_reader(calibrated), plain)
    assert read["spots"]["batch"]["lab"] != plain["spots"]["batch"]["lab"]
    begin, later = datetime(2026, 3, 2, tzinfo=UTC), datetime(2026, 3, 16, tzinfo=UTC)

    def drift(first: dict[str, object], second: dict[str, object]) -> list[float]:
        lot = calibrated.lots.begin("Bitter", 900, ["red"]).id
        calibrated.photos.add(lot, first, taken_at=begin)
        calibrated.lots.close(lot, "matched")
        calibrated.photos.add(lot, second, purpose="recheck", taken_at=later)
        return read_drift(calibrated, lot).photos[0].drift_lab.tolist()

    assert drift(plain, read) == [0, 0, 0]
    assert drift(read, read) == [0, 0, 0]


READ = Measurement()


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What was read, in order; nothing is measured but what cannot be read, which measuring refuses."""
    seen: list[Any] = []

    def read(source: bytes | Path, name: str, greys: Any = None) -> Any:
        seen.append(source)
        if isinstance(source, Path):
            return measured(source, name, greys)
        return READ.having(sha256=hash_photo(source))

    measured = measure.measure_or_refuse
    monkeypatch.setattr(measure, "measure_or_refuse", read)
    return seen


@pytest.fixture
def sent(tmp_path: Path, drawn_photos: list[Path]) -> Path:
    return Path(shutil.copy(drawn_photos[0], tmp_path / "sent.jpg"))


def take_in(book: LotBook, source: Any, **how: Any) -> IncomingPhoto[Any]:
    return open_reader(book).take_in(source, lambda _content: None, **how)


def test_a_new_photo_is_read_and_says_what_with(book, reads, sent):
    photo = take_in(book, sent)
    assert (photo.content, photo.name) == (sent.read_bytes(), "sent.jpg") and reads == [photo.content]
    assert photo.known is None and photo.refused is None
    assert photo.measurement.card_profile is None and photo.measurement.calibration is None
    assert take_in(book, (photo.content, "other.jpg")).name == "other.jpg"


@pytest.mark.parametrize("ahead", [None, READ.having(sha256="0" * 64)])
def test_a_file_that_is_not_there_or_no_longer_is_refused_and_looked_up_nowhere(book, reads, tmp_path, ahead):
    def find(_content: bytes) -> None:
        raise AssertionError("nothing is there to be looked up")

    photo = open_reader(book).take_in(tmp_path / "gone.jpg", find, ahead=ahead)
    assert (photo.content, photo.name, reads) == (b"", "gone.jpg", [tmp_path / "gone.jpg"])
    assert photo.refused and [flag.code for flag in photo.measurement.quality] == ["unreadable"]


def test_what_was_read_ahead_counts_for_the_same_bytes_alone(book, reads, sent):
    ahead = READ.having(sha256=hash_photo(sent.read_bytes()), phone="A phone")
    assert take_in(book, sent, ahead=ahead).measurement.phone == "A phone"
    refused = READ.having(refused="No card was found.")
    assert take_in(book, sent, ahead=refused).refused == "No card was found." and reads == []
    sent.write_bytes(sent.read_bytes() + b"more")
    photo = take_in(book, sent, ahead=ahead)
    assert photo.measurement.phone is None and reads == [sent.read_bytes()]


def test_a_known_photo_is_not_read_again_and_its_file_is_put_back(book, lot, reads, sent):
    arriving = take_in_for_lot(book, lot, [sent, sent])
    first = next(arriving)
    entry = book.photos.add(lot, first.measurement.to_json() | {"noted": 1}, photo=first.content)
    shutil.rmtree(book.photo_store.folder)
    again = next(arriving)  # looked up after the first was kept
    assert again.known == entry and again.measurement.others == {"noted": 1}
    assert len(reads) == 1 and book.photo_store.holds(str(entry.stored_name))


GREYS = [0.74, 0.48, 0.33, 0.18, 0.085, 0.03]
PRINTER = Printer(gamma=1.1, seed=4)
POSE = Pose(fill=0.85, width_px=1512, height_px=1134)


class Drawn(NamedTuple):
    """A photo of an empty card with a grey one, the grey's rectangle, and a photo of two glasses; by one printer."""

    card: Path
    grey: tuple[int, int, int, int]
    glasses: Path


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> Drawn:
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


def test_a_photo_beside_a_grey_card_and_what_it_changes(book, taken):
    told = cards.photograph_card(book, "kitchen", [taken.card, (b"no photo", "note.jpg")], taken.grey)
    assert told.photos[0].entry and "not a readable photo" in told.photos[1].error
    true = np.array([grey.nominal for grey in told.greys]) ** 1.1
    found = np.array([grey.reflectance for grey in told.greys])
    assert np.abs(np.log(found / true))[:5].max() < 0.08
    change = cards.compare_card(book, "kitchen", taken.glasses)
    for one in (told, change):
        assert type(one).from_json(json.loads(json.dumps(one.to_json()))) == one
    assert change.changed["reference"].delta_e_2000 > 0.1
    assert change.changed["blank"].delta_e_2000 < 0.05
    spots = (one.spots["reference"] for one in (change.before, change.after))
    before, after = (np.trace(spot.tone_covariance) for spot in spots)
    assert after <= before


def test_a_lot_is_read_with_its_card_and_says_so(book, taken, lot):
    cards.enter_card(book, "kitchen", list(np.array([0.75, 0.5, 0.35, 0.2, 0.1, 0.04]) ** 1.1), 0.004)
    note_for_lot(book, lot, card="kitchen")
    assert book.calibrations.lot_choice(lot) == LotChoice("kitchen")
    told = record_photos(book, lot, [taken.glasses])[0].to_json()
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
