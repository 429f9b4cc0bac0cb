"""The door for photos: opened, known already or read and corrected, whoever sends them."""

import shutil
from pathlib import Path
from typing import Any

import pytest

from colourmatch.book.lot_book import LotBook
from colourmatch.book.photo_store import hash_photo
from colourmatch.instrument.incoming import IncomingPhoto, open_reader, take_in_for_lot
from colourmatch.measurement import Measurement
from colourmatch.photo import measure

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
