"""Printed cards and what their greys reflect, by the name the maker gives them; photos are read with them.
It joins photo/card_profile.py and the book. A card is one sheet of paper from one printer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple, Unpack

import numpy as np

from colourmatch.book.calibrations import CARD, CARD_DEFAULT, CARD_FORGOTTEN, CalibrationEntry, list_standing
from colourmatch.book.checks import check_name, name_key, near_names
from colourmatch.book.lot_book import LotBook
from colourmatch.book.photo_store import Source, open_source
from colourmatch.book.transactions import By
from colourmatch.colour.difference import ciede2000
from colourmatch.errors import ColourMatchError, NotFoundError
from colourmatch.measurement import SPOTS, CardNamed, Measurement, SpotColour
from colourmatch.photo.card import read_card
from colourmatch.photo.card_profile import (
    GREY_CARD,
    GREY_CARD_SD,
    PAPER,
    PAPER_SD,
    GreysReading,
    combine_readings,
    enter_greys,
    read_greys,
)
from colourmatch.photo.measure import measure_photo
from colourmatch.photo.tone import KnownGreys
from colourmatch.records import Array, Record, kept, numbers, rounded, several

MAKE_ONE = "colourmatch card-profile add NAME PHOTO"


class CardProfile(NamedTuple):
    """A card's greys, and how a measurement names them."""

    greys: KnownGreys
    named: CardNamed


class Grey(Record):
    """What a grey of a card reflects, of the bare paper: as drawn, as printed, and the sd of that."""

    nominal: float = kept()
    reflectance: float = kept()
    sd: float = kept()


class CardReading(Record):
    """An entry that tells a card's greys; how they became known stands beside, as the entry has it."""

    entry: int = kept()
    at: str = kept()
    by: str | None = kept()


class CardPhoto(Record):
    """A photo that a card was to be read off: its entry, or why it was refused."""

    photo: str = kept()
    entry: int | None = kept()
    error: str | None = kept()
    code: str | None = kept(later=True)


class CardTold(Record):
    """A card as its readings tell it; without any its name alone.

    default: whether photos of lots are read with it; disagreement: of the readings, 1 and less is agreement; photos: those
    it was just read off.
    """

    card: str = kept()
    greys: tuple[Grey, ...] = kept(several(Grey), later=True)
    default: bool = kept(later=True)
    readings: tuple[CardReading, ...] = kept(several(CardReading), default=())
    disagreement: float = kept(later=True)
    text: str = kept(later=True)
    photos: tuple[CardPhoto, ...] = kept(several(CardPhoto), later=True)


class Moved(Record):
    """By how much a colour moved: in Lab (3,), and as CIEDE2000."""

    lab: Array = kept(numbers)
    delta_e_2000: float = kept()


def _write_short(measurement: Measurement) -> dict[str, Any]:
    whole = measurement.to_json()
    return {part: whole[part] for part in ("spots", "delta_e_2000", "difference", "quality")}


class CardChange(Record):
    """What a card changes of a photo: what is read without and with it, and each spot's change."""

    photo: str = kept()
    card_profile: CardNamed = kept(CardNamed.from_json)
    before: Measurement = kept(Measurement.from_json, write=_write_short)
    after: Measurement = kept(Measurement.from_json, write=_write_short)
    changed: Mapping[str, Moved | None] = kept(
        lambda spots: {spot: one and Moved.from_json(one) for spot, one in spots.items()}
    )


class _Cards:
    """The cards of a book that are not forgotten, read once: the readings of each, and the default one."""

    def __init__(self, book: LotBook) -> None:
        entries = book.calibrations.of((CARD, CARD_DEFAULT, CARD_FORGOTTEN))
        standing = list_standing([one for one in entries if one.kind != CARD_DEFAULT], CARD_FORGOTTEN)
        self.readings = {key: readings for (key, _light), readings in standing.items()}
        chosen = [one.data.get("card") or "" for one in entries if one.kind == CARD_DEFAULT]
        self.default: str | None = chosen[-1] if chosen and name_key(chosen[-1]) in self.readings else None

    def find(self, name: str) -> list[CalibrationEntry]:
        """The readings of a card; NotFoundError names the near ones."""
        if found := self.readings.get(name_key(name)):
            return found
        near = near_names(name, [readings[-1].name for readings in self.readings.values()])
        raise NotFoundError(f"There is no card {name!r} in the book.{near} Make its profile with: {MAKE_ONE}")


def enter_card(
    book: LotBook, name: str, values: Sequence[float], sd: float | None = None, **by: Unpack[By]
) -> CardTold:
    """Enter measured greys of a card, relative to its bare paper; as `read_card_profile`."""
    reading = enter_greys(values, sd)
    book.calibrations.add(CARD, name, reading.to_json(), **by)
    return read_card_profile(book, name)


def photograph_card(
    book: LotBook,
    name: str,
    photos: Sequence[Source],
    grey: tuple[int, int, int, int] | None = None,
    *,
    reflectance: tuple[float, float] | None = None,
    paper: tuple[float, float] | None = None,
    entered_by: str | None = None,
) -> CardTold:
    """Read a card's greys off photos with a known grey on the middle ring, or in the same rectangle of each.

    As `read_card_profile`, with the photos; a refused one is among them.
    """
    check_name(name, "name of the card")
    level = reflectance or (GREY_CARD, GREY_CARD_SD)
    white = paper or (PAPER, PAPER_SD)

    def read(source: Source) -> CardPhoto:
        try:
            content, file_name = photo = open_source(source)
            reading = read_greys(content, grey, reflectance=level, paper=white, name=file_name)
            entry = book.calibrations.add(CARD, name, reading.to_json(), photo=photo, entered_by=entered_by)
        except ColourMatchError as error:  # one photo stops no other
            refused = source[1] if isinstance(source, tuple) else str(source)
            return CardPhoto(refused, error=error.text).having(code=error.code)
        return CardPhoto(file_name, entry.id)

    told = tuple(read(source) for source in photos)
    cards = _Cards(book)
    known = _describe(cards, name) if name_key(name) in cards.readings else CardTold(name)
    return known.having(photos=told)


def list_cards(book: LotBook) -> list[CardTold]:
    """All cards that are not forgotten, by name."""
    cards = _Cards(book)
    return [_describe(cards, name) for name in sorted(cards.readings)]


def read_card_profile(book: LotBook, name: str) -> CardTold:
    """A card's greys with their standard deviations, beside what the card should print, and its readings."""
    return _describe(_Cards(book), name)


def _describe(cards: _Cards, name: str) -> CardTold:
    entries = cards.find(name)
    readings = [GreysReading.from_json(entry.data) for entry in entries]
    greys, ratio = combine_readings(readings)
    steps = zip(read_card().greys, greys.reflectance, greys.log_sd, strict=True)
    rows = tuple(Grey(step.reflectance, round(float(v), 4), round(float(v * sd), 4)) for step, v, sd in steps)
    each = zip(entries, readings, strict=True)
    told = tuple(CardReading(e.id, e.created_at, e.entered_by, others=one.told) for e, one in each)
    chosen = cards.default is not None and name_key(cards.default) == name_key(name)
    text = _tell(rows, ratio, len(entries))
    return CardTold(entries[-1].name, rows, chosen, told, round(ratio, 2), text)


def _tell(rows: Sequence[Grey], ratio: float, count: int) -> str:
    off = max(rows, key=lambda row: abs(np.log(row.reflectance / row.nominal)))
    part = 100 * (off.reflectance / off.nominal - 1)
    known = f"Known from {count} {'reading' if count == 1 else 'readings'}."
    said = (
        f"{known} The grey of {off.nominal:g} prints {abs(part):.0f} % {'paler' if part > 0 else 'darker'} than drawn."
    )
    if ratio > 2:
        said += " The readings disagree: photograph the card once more in even light."
    return said


def card_profile(book: LotBook, name: str | None) -> CardProfile | None:
    """The greys of a card by name, or of the default one if there is any; NotFoundError names near ones."""
    cards = _Cards(book)
    wanted = name or cards.default
    if wanted is None:
        return None
    entries = cards.find(wanted)
    greys, _ = combine_readings([GreysReading.from_json(entry.data) for entry in entries])
    return CardProfile(greys, CardNamed(entries[-1].name, [entry.id for entry in entries]))


def choose_card(book: LotBook, name: str | None, *, entered_by: str | None = None) -> str | None:
    """Make a card the one that photos of lots are read with where nothing else is said, and give its name; None: none is."""
    if name is not None:
        name = _Cards(book).find(name)[-1].name
    book.calibrations.add(CARD_DEFAULT, name or "none", {"card": name}, entered_by=entered_by)
    return name


def default_card(book: LotBook) -> str | None:
    """The name of the book's default card, None when there is none or it is forgotten."""
    return _Cards(book).default


def forget_card(book: LotBook, name: str, *, entered_by: str | None = None) -> str:
    """Forget a card (lost, faded, printed again) and give its name; what was read with it stays as it was recorded."""
    found = _Cards(book).find(name)[-1].name
    book.calibrations.add(CARD_FORGOTTEN, found, entered_by=entered_by)
    return found


def compare_card(book: LotBook, name: str, source: Source) -> CardChange:
    """What a card's profile changes of one photo: each spot's Lab and the difference, before and after."""
    profile = card_profile(book, name)
    assert profile is not None
    content, file_name = open_source(source)
    before, after = (measure_photo(content, file_name, greys) for greys in (None, profile.greys))
    changed = {spot: _change(before.spots[spot], after.spots[spot]) for spot in SPOTS}
    return CardChange(file_name, profile.named, before, after, changed)


def _change(before: SpotColour | None, after: SpotColour | None) -> Moved | None:
    if not before or not after:
        return None
    return Moved(rounded(after.lab - before.lab, 3), round(float(ciede2000(before.lab, after.lab)), 3))
