"""References: readings over time, their drift, and which one a lot is tinted to."""

import hashlib
import io
import json

import numpy as np
import pytest
from known_pictures import phone_exif, to_file
from PIL import Image

from colourmatch.book.lot_book import LotBook
from colourmatch.book.photo_store import KeptPhoto
from colourmatch.errors import InputError, NotFoundError, PhotoError
from colourmatch.workflow import references
from colourmatch.workflow.references import choose_reading, enter_reference, read_reference, record_reference

VIEW = {"depth_mm": 10.0, "dilution": 5.0}


@pytest.fixture
def bottle(book: LotBook) -> int:
    """A reference that was read twice at the lot's view, with a small spread, and once at another."""
    reference = book.references.add("The bottle").id
    for lab, dilution in (((60, 40, 30), 5.0), ((62, 36, 30), 5.0), ((30, 50, 40), 1.0)):
        book.references.add_reading(reference, lab, depth_mm=10, dilution=dilution, lab_sd=(0.3, 0.3, 0.3))
    return reference


def test_entered_readings_are_each_held_against_the_first(book, bottle):
    told = read_reference(book, "the bottle")
    first, second, other = told.readings
    assert (told.reference, first.source, first.drift) == (bottle, "entered", None)
    assert second.against == first.reading and second.drift.low < 2.8 < second.drift.high
    assert other.drift is None  # another dilution: nothing to compare with
    assert told.text.startswith("The reference has turned") and "less red" in told.text
    assert references.KnownReference.from_json(json.loads(json.dumps(told.to_json()))) == told
    for dilution in (1, 2):
        apart = enter_reference(book, "Two looks", (60, 40, 30), dilution=dilution)
    assert apart.text.startswith("No two readings are of one depth and dilution.")
    for lab in ((60, 40, 30), (62, 36, 30)):  # as unsure as a phone's
        wide = enter_reference(book, "Bottle", lab, lab_sd=(2.5, 5, 4))
    assert wide.readings[1].drift.low == 0 and "No drift is seen" in wide.text


@pytest.mark.parametrize(
    ("which", "lab", "sd"),
    [("first", [60, 40, 30], 0.3), ("latest", [62, 36, 30], 0.3), ("mean", [61, 38, 30], 0.3)],
)
def test_a_lot_is_tinted_to_the_reading_chosen(book, lot, bottle, which, lab, sd):
    chosen = choose_reading(book, lot, "The bottle", which)
    assert chosen.target_lab == lab and chosen.target_lab_sd == [sd] * 3
    head = book.lots.get(lot)
    assert (head.reference_id, head.target_lab) == (bottle, tuple(lab))
    assert references.target_covariance(book, head)[0, 0] ** 0.5 == pytest.approx(sd, abs=5e-4)
    book.lots.amend(lot, "by eye", target_lab=(50, 30, 20))
    assert references.target_covariance(book, book.lots.get(lot)) == pytest.approx(4 * np.eye(3))


def test_a_reading_is_chosen_by_its_id_and_refused_for_another_view(book, lot, bottle):
    ids = [reading.id for reading in book.references.readings(bottle)]
    assert choose_reading(book, lot, bottle, ids[0]).readings == [ids[0]]
    with pytest.raises(InputError, match="read 10 mm deep, undiluted"):
        choose_reading(book, lot, bottle, ids[2])
    with pytest.raises(NotFoundError, match="no reading 99"):
        choose_reading(book, lot, bottle, 99)
    empty = book.references.add("Empty").id
    with pytest.raises(InputError, match="not read yet, and this lot is 10 mm deep, 1 part made up to 5"):
        choose_reading(book, lot, empty)
    book.lots.close(lot, "given up")
    with pytest.raises(InputError, match="is closed"):
        choose_reading(book, lot, bottle)


def test_an_own_lot_becomes_a_target_once(book, lot):
    with pytest.raises(InputError, match="its colour is not known"):
        references.target_from_lot(book, lot)
    spot = {"lab": [76.1, 45.2, 31.3], "lab_sd": [2.5, 5.0, 4.0], "lab_covariance": [[0.1, 0, 0]] * 3}
    book.photos.add(lot, {"spots": {"batch": spot}})
    book.lots.close(lot, "matched")
    following = book.lots.begin("Aperitif", 900, "red", dilution=5, number="B2").id
    made = references.target_from_lot(book, lot)
    choose_reading(book, following, made.reference_id, made.id)
    assert (list(made.lab), list(made.lab_sd or ())) == (spot["lab"], spot["lab_sd"])
    head = book.lots.get("B2")
    assert (head.id, head.target_lab, head.reference_id) == (following, (76.1, 45.2, 31.3), made.reference_id)
    assert references.target_from_lot(book, lot) == made
    assert read_reference(book, made.reference_id).readings[0].source == "lot"


@pytest.mark.parametrize(
    ("lab", "sd", "said"),
    [
        ((60, 40), None, "not three numbers"),
        ((160, 40, 2), None, "out of range"),
        (None, None, "Give the colour"),
        ((60, 40, 30), (1, -1, 1), "more than 0"),
        ((60, 40, 30), (1, float("nan"), 1), "more than 0"),
        ((60, 40, 30), "abc", "not three numbers"),
    ],
)
def test_what_cannot_be_is_refused_and_leaves_no_reference(book, lab, sd, said):
    with pytest.raises(InputError, match=said):
        enter_reference(book, "Bottle", lab, lab_sd=sd)
    assert book.references.all() == []


def test_a_photo_becomes_a_reading_once(book, lot, drawn_photos):
    photos = [drawn_photos[1], (b"rubbish", "x.jpg"), drawn_photos[1]]
    good, bad, again = record_reference(book, "Bottle", photos, **VIEW)
    (reading,) = read_reference(book, "Bottle").readings
    seen = good.measurement.spots["reference"]
    assert seen is not None and (reading.source, reading.lab) == ("photo", seen.lab.tolist())
    assert bad.entry is None and bad.note == bad.measurement.refused
    assert again.entry == good.entry == reading.reading and again.repeated
    choose_reading(book, lot, "Bottle")
    assert book.lots.get(lot).target_lab == pytest.approx(seen.lab)


def test_the_photo_of_a_reading_is_kept_without_its_position(book, drawn_photos):
    sent = to_file(Image.open(drawn_photos[1]), quality=95, exif=phone_exif(1))
    assert Image.open(io.BytesIO(sent)).getexif().get_ifd(0x8825)
    record_reference(book, "Bottle", [(sent, "IMG_1.jpg")], **VIEW)
    (reading,) = book.references.readings("Bottle")
    kept = book.photo_store.path(reading.stored_name or "").read_bytes()
    assert not Image.open(io.BytesIO(kept)).getexif().get_ifd(0x8825)
    assert reading.photo_sha256 == hashlib.sha256(kept).hexdigest() == reading.stored_name[:64]
    assert reading.original_sha256 == hashlib.sha256(sent).hexdigest() != reading.photo_sha256
    assert (reading.original_name, reading.taken_at) == ("IMG_1.jpg", "2026-05-04T10:11:12.000000+00:00")
    (row,) = read_reference(book, "Bottle").readings
    assert (row.photo, row.stored_name) == ("IMG_1.jpg", reading.stored_name)
    assert row.at == "2026-05-04T10:11:12+00:00"
    # Sent again as it came, or as it was taken out of the store: the first reading, nothing more is kept.
    for again in (sent, kept):
        assert book.references.find_photo(again, "Bottle") == reading
        (repeated,) = record_reference(book, "Bottle", [(again, "copy.jpg")], **VIEW)
        assert (repeated.entry, repeated.repeated) == (reading.id, True)
    assert list(book.photo_store.names()) == [reading.stored_name] and book.archive.check() == []
    (other,) = record_reference(book, "Other bottle", [(sent, "IMG_1.jpg")], **VIEW)
    assert other.entry != reading.id and len(list(book.photo_store.names())) == 1


def test_a_photo_read_before_files_were_kept_gives_its_first_reading(book, drawn_photos):
    sent = drawn_photos[1].read_bytes()
    reference = book.references.add("Bottle").id
    sha256 = hashlib.sha256(sent).hexdigest()
    unkept = KeptPhoto(sha256, None, None)
    how = {"depth_mm": 10, "dilution": 5, "photo": unkept, "measurement": {"sha256": sha256}}
    old = book.references.add_reading(reference, (60, 40, 30), **how)
    (again,) = record_reference(book, "Bottle", [(sent, "a.jpg")], **VIEW)
    assert again.entry == old.id and read_reference(book, "Bottle").readings[0].source == "photo"
    assert list(book.photo_store.names()) == [] and book.archive.check() == []


def test_no_file_is_left_of_what_is_refused(book, drawn_photos, monkeypatch):
    for given in ({"name": " "}, {"name": "Bottle", "notes": "a\0"}, {"name": "Bottle", "entered_by": "a\0"}):
        with pytest.raises(InputError):
            record_reference(book, photos=[drawn_photos[1]], **given)
    with pytest.raises(PhotoError, match="no JPEG"):
        book.references.add_reading(book.references.add("Odd").id, (60, 40, 30), depth_mm=10, photo=b"text")
    with pytest.raises(InputError, match="The depth"):
        book.references.add_reading("Odd", (60, 40, 30), depth_mm=-1, photo=drawn_photos[1].read_bytes())
    (gone,) = record_reference(book, "Bottle", [drawn_photos[1].with_name("none.jpg")])
    assert gone.entry is None and gone.note

    def refuse(*_given: object) -> None:
        raise PhotoError("It cannot be kept. Send it as JPEG.")

    monkeypatch.setattr(type(book.photo_store), "keep", refuse)
    (unkept,) = record_reference(book, "Bottle", [drawn_photos[1]])
    assert (unkept.entry, unkept.note) == (None, "It cannot be kept. Send it as JPEG.")
    record_reference(book, "Bottle", [(b"rubbish", "x.jpg")])
    assert [one.name for one in book.references.all()] == ["Odd"]
    assert book.references.readings("Odd") == [] and list(book.photo_store.names()) == []
