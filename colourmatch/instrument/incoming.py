"""The one door for photos: opened, known already or not, read, corrected by what is kept of their phone in a light.
It joins the photo reader, cards.py and phone_calibration.py; whoever keeps a photo says what it is for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Generic, NamedTuple, TypeVar

import numpy as np

from colourmatch.book.calibrations import FIT, LOT_CHOICE
from colourmatch.book.checks import name_key
from colourmatch.book.entries import PhotoEntry
from colourmatch.book.lot_book import LotBook
from colourmatch.book.photo_store import Source, hash_photo, open_source
from colourmatch.book.shelf_records import ReferenceReading
from colourmatch.errors import NotFoundError, PhotoError
from colourmatch.instrument.cards import CardProfile, card_profile
from colourmatch.instrument.kept_fits import Calibration, find_calibration
from colourmatch.instrument.phone_calibration import Corrected, combine, correct_lab, weigh
from colourmatch.measurement import (
    LIQUIDS,
    Colour,
    DifferenceAsRead,
    Measurement,
    Pair,
    record_difference,
)
from colourmatch.photo import measure
from colourmatch.photo.read_colour import SCALE_SD, stretch
from colourmatch.records import Array, pick, rounded

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
        # a refusal names no bytes and is taken as it is
        of_others = ahead is not None and ahead.sha256 not in (None, hash_photo(content) if content else "")
        if rectangles and (ahead is None or of_others):
            from colourmatch.photo.rectangles import measure_rectangles_or_refuse

            ahead = measure_rectangles_or_refuse(to_read, rectangles, name)
        elif ahead is None or of_others:
            ahead = measure.measure_or_refuse(to_read, name, self.greys)
        return IncomingPhoto(content, name, self.finish(ahead))


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
    """Note what a lot's photos are read with from now on; what is None stays as it was.

    NotFoundError for a card or light that is not in the book.
    """
    if card is not None:
        card_profile(book, card)
    lights = {str(entry.light) for entry in book.calibrations.of((FIT,))} if light is not None else set()
    if light is not None and name_key(light) not in map(name_key, lights):
        there = f" There are: {', '.join(sorted(lights))}." if lights else ""
        raise NotFoundError(
            f"No phone is calibrated in a light {light!r}.{there} Calibrate one with: colourmatch phone add PHOTO "
            f"--light {light} --batch red=12"
        )
    said = {key: name for key, name in (("card", card), ("light", light)) if name is not None}
    noted = book.calibrations.lot_choice(lot)
    if (wanted := noted.having(**said)) != noted:
        book.calibrations.add(LOT_CHOICE, f"lot {lot}", wanted.to_json(), entered_by=entered_by)


#: Drinks of different recipes lie nearer to each other than to water, about by this part (common practice, no source):
#: what two of one reading may differ by counts against that distance.
_APART = 0.5
#: What is kept of a difference as it was read.
_READ = ("delta_e_2000", "difference", "uncertainty")
#: The lot's fit needs at least this part of a difference as the phone's doubt, however good the calibration.
_LEAST_SCALE = 0.03


def calibrate(measurement: Measurement, found: Calibration | None) -> Measurement:
    """A measurement corrected, as read beside it; given back as it is where no calibration applies.

    What is told lies between the estimate (photo/estimate.py) and what the calibration makes of the reading: a calibration
    in a light that it says little of changes little.
    """
    if found is None or measurement.refused or not measurement.card:
        return measurement.having(calibration=None)
    spots, corrected, sds = dict(measurement.spots), {}, {}
    tone = measurement.tone
    # a photo whose greys do not lie on the sitting's curve keeps its own, and its doubt
    known = found.fit.knows_tones(tone)
    for name in LIQUIDS:
        spot = spots.get(name)
        if not spot or spot.white != "blank" or spot.lab_sd is None:
            continue
        read = measurement.reading(name)
        one = correct_lab(found.fit, read.lab, read.covariance, (tone, name) if tone and known else None)
        corrected[name] = one
        own = np.zeros((3, 3)) if known or spot.tone_covariance is None else spot.tone_covariance
        sd = np.hypot(one.lab_sd, np.sqrt(np.diag(one.slope @ own @ one.slope.T)))
        sds[name] = found.fit.strain * spot.lab_sd, sd
        if known:
            toned = Colour(rounded(one.toned, 3), lab_covariance=read.lab_covariance)
            spots[name] = spot.having(toned=toned)
    if not corrected:
        return measurement.having(calibration=None)
    # one weight for both liquids, so that equal ones stay equal
    weight = weigh(*np.sqrt(np.mean(np.square(list(sds.values())), axis=0)))
    for name, one in corrected.items():
        spot = spots[name]
        assert spot
        lab = spot.lab + weight * (one.lab - spot.lab)
        told_sd, own_sd = sds[name]
        sd = np.sqrt(np.diag(combine(np.diag(told_sd**2), np.diag(own_sd**2), weight)))
        noise = combine(spot.covariance, one.covariance, weight, together=1.0)  # the same reading's
        spots[name] = spot.having(
            lab=rounded(lab, 3), lab_sd=rounded(sd, 3), lab_covariance=rounded(noise, 5),
            as_read=Colour(spot.lab, spot.lab_sd, spot.lab_covariance),
        )  # fmt: skip
    named = found.named
    if found.fit.greys is not None:
        named = named.having(tones="sitting" if known else "photo")
    out = measurement.having(spots=spots, calibration=named)
    if len(corrected) == 2 and measurement.delta_e_2000 and measurement.uncertainty:
        pair = _compare(measurement, measurement.uncertainty, corrected, own_tones=not known)
        ref, bat = (spots[name] for name in LIQUIDS)
        assert ref and bat
        told = measurement.uncertainty
        told = told.having(phone=found.fit.strain**2 * told.phone)
        whole = _join(told, pair, weight)
        out = out.having(
            as_read=DifferenceAsRead(**pick(measurement, *_READ)),
            **record_difference(ref.lab, bat.lab, whole),
        )
    return out


def _compare(measurement: Measurement, pair: Pair, corrected: dict[str, Corrected], *, own_tones: bool) -> Pair:
    """What is unsure of the corrected difference of both liquids, in the parts that measurements have."""
    ref, bat = corrected["reference"], corrected["batch"]
    read, other = measurement.spots["batch"], measurement.spots["reference"]
    assert read and other
    # the curve of the photo, without the phone's unknown colours, which older records have in one figure
    gap = read.lab - other.lab
    known = pair.phone - np.diag((SCALE_SD * stretch(gap)) ** 2) if pair.tone is None else pair.tone
    values, axes = np.linalg.eigh(known)
    slope = 0.5 * (ref.slope + bat.slope)
    tone = slope @ (axes * np.maximum(values, 0.0)) @ axes.T @ slope.T
    # readings from before the ends of the range were kept apart have them in the same figures
    ends_within = pair.lost is None and measurement.at_an_end
    if not own_tones and not ends_within:
        tone = np.zeros((3, 3))  # the calibration's draws hold the doubt of its own curve
    apart = bat.draws - ref.draws - (bat.lab - ref.lab)
    contrast = 0.5 * (ref.to_lab + bat.to_lab) * ref.contrast_sd * (bat.log_light - ref.log_light)
    tone = tone + contrast @ contrast.T  # how much one photo's channels stray in contrast
    # what is left of SCALE_SD: two drinks as far from each other as from water err each on its own
    away = max(float(np.linalg.norm(0.5 * (ref.lab + bat.lab) - [100, 0, 0])), 5.0)
    left = np.sqrt(np.diag(ref.metameric + bat.metameric)) / (_APART * away)
    scale = np.diag((np.maximum(left, _LEAST_SCALE) * stretch(bat.lab - ref.lab)) ** 2)
    phone = apart.T @ apart / len(apart) + tone + scale
    noise = ref.covariance + bat.covariance
    scene, lost = (slope @ part @ slope.T for part in (pair.scene, pair.what_is_lost))
    return Pair(noise - scene, scene, phone, lost)


def _join(told: Pair, corrected: Pair, weight: Array) -> Pair:
    """What is unsure of a difference told between two that are of one reading and taken to err together."""
    parts = ("photo", "scene", "phone", "what_is_lost")
    return Pair(*(combine(getattr(told, name), getattr(corrected, name), weight, 1.0) for name in parts))
