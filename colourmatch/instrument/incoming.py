"""The one door for photos: opened, known already or not, read, corrected; whoever keeps one says what it is for.
It joins the photo reader, cards.py and phone_correction.py; of lots it knows what their photos are read with.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Generic, NamedTuple, TypeVar

from colourmatch.book.calibrations import FIT, LotChoice
from colourmatch.book.checks import name_key
from colourmatch.book.entries import PhotoEntry
from colourmatch.book.lot_book import LotBook
from colourmatch.book.photo_store import Source, hash_photo, open_source
from colourmatch.book.shelf_records import ReferenceReading
from colourmatch.errors import NotFoundError, PhotoError
from colourmatch.instrument.cards import CardProfile, card_profile
from colourmatch.instrument.phone_correction import calibrate, find_calibration
from colourmatch.measurement import Measurement

Entry = TypeVar("Entry", PhotoEntry, ReferenceReading)


@dataclass(frozen=True)
class IncomingPhoto(Generic[Entry]):
    """A photo that comes in, its content empty where unreadable; as recorded where `known` had it before."""

    content: bytes
    name: str
    measurement: Measurement
    known: Entry | None = None

    @property
    def refused(self) -> str | None:
        """Why nothing could be measured, and what to do."""
        return self.measurement.refused


class Reader(NamedTuple):
    """A card and the light of a phone's calibration; insist: a phone without one in that light is refused."""

    book: LotBook
    card: CardProfile | None
    light: str | None
    insist: bool

    @property
    def greys(self) -> Any:
        """What the photo reader takes: the card's greys or None."""
        return self.card.greys if self.card else None

    def finish(self, measurement: Measurement) -> Measurement:
        """A measurement that was read with `greys`, corrected, with what it was read with."""
        card = self.card.named if self.card and measurement.card else None
        try:
            found = find_calibration(self.book, measurement.phone, self.light)
        except NotFoundError:
            if self.insist and not measurement.refused:
                raise
            found = None
        return calibrate(measurement.having(card_profile=card), found)

    def take_in(
        self,
        source: Source,
        find: Callable[[bytes], Entry | None],
        *,
        rectangles: Mapping[str, Any] | None = None,
        ahead: Measurement | None = None,
    ) -> IncomingPhoto[Entry]:
        """A photo that comes in: opened, looked up with `find`, and where it is new read and corrected.

        A known photo is not read again, and its stored file is put back where it is missing. rectangles: for photos
        without the printed card. ahead: what was read of it with `greys` beforehand; it is taken where it is of
        these very bytes.
        """
        to_read: bytes | Path
        try:
            content, name = to_read, _ = open_source(source)
        except PhotoError:  # measuring says why in its own words
            to_read = Path(str(source))
            content, name = b"", to_read.name
        known = find(content) if content else None
        if known is not None:
            self.book.photo_store.put_back(known.stored_name, content)
            return IncomingPhoto(content, name, known.measurement or Measurement(), known)
        if ahead is None or not _is_of(ahead, content):
            ahead = self._measure(to_read, name, rectangles)
        return IncomingPhoto(content, name, self.finish(ahead))

    def _measure(self, photo: bytes | Path, name: str, rectangles: Mapping[str, Any] | None) -> Measurement:
        if rectangles:
            from colourmatch.photo.rectangles import measure_rectangles_or_refuse

            return measure_rectangles_or_refuse(photo, rectangles, name)
        from colourmatch.photo.measure import measure_or_refuse

        return measure_or_refuse(photo, name, self.greys)


def _is_of(measured: Measurement, content: bytes) -> bool:
    """Whether a measurement is of these very bytes; a refusal names none and is taken as it is."""
    named = measured.sha256
    return named is None or (bool(content) and hash_photo(content) == named)


def open_reader(book: LotBook, card: str | None = None, light: str | None = None) -> Reader:
    """The reader for a card and a light by name; the book's default card and a phone's only light where None."""
    return Reader(book, card_profile(book, card), light, insist=light is not None)


def lot_reader(book: LotBook, lot: int) -> Reader:
    """The reader of a lot's photos: as noted for the lot, else the default card and the phone's only light."""
    noted = book.calibrations.lot_choice(lot)
    try:
        profile = card_profile(book, noted.card)
    except NotFoundError:  # the lot's card was forgotten since
        profile = None
    return Reader(book, profile, noted.light, insist=False)


def take_in_for_lot(
    book: LotBook,
    lot: int,
    sources: Sequence[Source],
    *,
    rectangles: Mapping[str, Any] | None = None,
    ahead: Sequence[Measurement] | None = None,
) -> Iterator[IncomingPhoto[PhotoEntry]]:
    """Photos of a lot as in `Reader.take_in`, one after another: keep each before the next is looked up."""
    reader, find = lot_reader(book, lot), partial(book.photos.find, lot=lot)
    for k, source in enumerate(sources):
        yield reader.take_in(source, find, rectangles=rectangles, ahead=ahead[k] if ahead else None)


def note_for_lot(
    book: LotBook,
    lot: int,
    *,
    card: str | None = None,
    light: str | None = None,
    entered_by: str | None = None,
) -> None:
    """Note what a lot's photos are read with from now on; NotFoundError for a card or light that is not in the book."""
    if card is not None:
        card_profile(book, card)
    lights = {str(entry.light) for entry in book.calibrations.of((FIT,))} if light is not None else set()
    if light is not None and name_key(light) not in map(name_key, lights):
        there = f" There are: {', '.join(sorted(lights))}." if lights else ""
        raise NotFoundError(
            f"No phone is calibrated in a light {light!r}.{there} Calibrate one with: colourmatch phone add PHOTO "
            f"--light {light} --batch red=12"
        )
    book.calibrations.choose_for_lot(lot, LotChoice(card, light), entered_by)
