"""Printed cards and what their greys reflect, by the name the maker gives them; photos are read with them.

It joins photo/card_profile.py and the book. A card is one sheet of paper from one printer.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple, Unpack

import numpy as np

from colourmatch.book.calibrations import CARD, CARD_DEFAULT, CARD_FORGOTTEN, CalibrationEntry, list_standing
from colourmatch.book.checks import check_name, name_key
from colourmatch.book.lot_book import LotBook
from colourmatch.book.photo_store import Source, open_source
from colourmatch.book.transactions import By, near_names
from colourmatch.colour.difference import ciede2000
from colourmatch.errors import ColourMatchError, NotFoundError
from colourmatch.measurement import SPOTS, CardNamed, Measurement, SpotColour
from colourmatch.photo.card import read_card
from colourmatch.photo.card_profile import (
    GREY_CARD,
    GREY_CARD_SD,
    PAPER,
    PAPER_SD,
    combine_readings,
    enter_greys,
    parse_reading,
    read_greys,
)
from colourmatch.photo.measure import measure_photo
from colourmatch.records import as_json, rounded

if TYPE_CHECKING:
    from colourmatch.photo.tone import KnownGreys

MAKE_ONE = "colourmatch card-profile add NAME PHOTO"


class CardProfile(NamedTuple):
    """A card's greys, and how a measurement names them."""

    greys: KnownGreys
    named: CardNamed


def enter_card(
    book: LotBook, name: str, values: Sequence[float], sd: float | None = None, **by: Unpack[By]
) -> dict[str, Any]:
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
) -> dict[str, Any]:
    """Read a card's greys off photos with a known grey on the middle ring, or in the same rectangle of each.

    A refused photo is an entry of its own.

    Gives `read_card_profile` with "photos": [{"photo", "entry", "error"}].
    """
    check_name(name, "name of the card")
    level = reflectance or (GREY_CARD, GREY_CARD_SD)
    white = paper or (PAPER, PAPER_SD)

    def read(source: Source) -> dict[str, Any]:
        try:
            content, file_name = photo = open_source(source)
            reading = read_greys(content, grey, reflectance=level, paper=white, name=file_name)
            entry = book.calibrations.add(CARD, name, reading.to_json(), photo=photo, entered_by=entered_by)
        except ColourMatchError as error:  # one photo stops no other
            refused = source[1] if isinstance(source, tuple) else str(source)
            return {"photo": refused, "entry": None, "error": error.text, "code": error.code}
        return {"photo": file_name, "entry": entry.id, "error": None}

    told = [read(source) for source in photos]
    entries = _list(book)
    known = _describe(entries, name) if _readings(entries, name) else {"card": name, "readings": []}
    return known | {"photos": told}


def list_cards(book: LotBook) -> list[dict[str, Any]]:
    """All cards that are not forgotten, by name."""
    entries = _list(book)
    return [_describe(entries, readings[-1].name) for _, readings in sorted(_cards(entries).items())]


def read_card_profile(book: LotBook, name: str) -> dict[str, Any]:
    """A card's greys with their standard deviations, beside what the card should print, and its readings."""
    return _describe(_list(book), name)


def _describe(all_entries: Sequence[CalibrationEntry], name: str) -> dict[str, Any]:
    entries = _find(all_entries, name)
    greys, ratio = combine_readings([parse_reading(entry.data) for entry in entries])
    default = _default(all_entries)
    steps = zip(read_card().greys, greys.reflectance, greys.log_sd, strict=True)
    rows = [
        {
            "nominal": step.reflectance,
            **as_json({"reflectance": float(value), "sd": float(value * log_sd)}, 4),
        }
        for step, value, log_sd in steps
    ]
    return {
        "card": entries[-1].name,
        "greys": rows,
        "default": default is not None and name_key(default) == name_key(name),
        "readings": [
            {"entry": e.id, "at": e.created_at, "by": e.entered_by, **(e.data.get("told") or {})}
            for e in entries
        ],
        "disagreement": round(ratio, 2),
        "text": _tell(rows, ratio, len(entries)),
    }


def _tell(rows: list[dict[str, Any]], ratio: float, count: int) -> str:
    off = max(rows, key=lambda row: abs(np.log(row["reflectance"] / row["nominal"])))
    part = 100 * (off["reflectance"] / off["nominal"] - 1)
    known = f"Known from {count} {'reading' if count == 1 else 'readings'}."
    said = f"{known} The grey of {off['nominal']:g} prints {abs(part):.0f} % {'paler' if part > 0 else 'darker'} than drawn."
    if ratio > 2:
        said += " The readings disagree: photograph the card once more in even light."
    return said


def card_profile(book: LotBook, name: str | None) -> CardProfile | None:
    """The greys of a card by name, or of the book's default card for None; None when there is no default.

    NotFoundError names the near ones.
    """
    all_entries = _list(book)
    wanted = name or _default(all_entries)
    if wanted is None:
        return None
    entries = _find(all_entries, wanted)
    greys, _ = combine_readings([parse_reading(entry.data) for entry in entries])
    return CardProfile(greys, CardNamed(entries[-1].name, [entry.id for entry in entries]))


def choose_card(book: LotBook, name: str | None, *, entered_by: str | None = None) -> dict[str, Any]:
    """Make a card the one that photos of lots are read with where nothing else is said; None: none is."""
    if name is not None:
        name = _find(_list(book), name)[-1].name
    book.calibrations.add(CARD_DEFAULT, name or "none", {"card": name}, entered_by=entered_by)
    return {"default": name}


def default_card(book: LotBook) -> str | None:
    """The name of the book's default card, None when there is none or it is forgotten."""
    return _default(_list(book))


def forget_card(book: LotBook, name: str, *, entered_by: str | None = None) -> dict[str, Any]:
    """Forget a card (lost, faded, printed again); what was read with it stays as it was recorded."""
    found = _find(_list(book), name)[-1].name
    book.calibrations.add(CARD_FORGOTTEN, found, entered_by=entered_by)
    return {"card": found, "forgotten": True}


def compare_card(book: LotBook, name: str, source: Source) -> dict[str, Any]:
    """What a card's profile changes of one photo: each spot's Lab and the difference, before and after."""
    profile = card_profile(book, name)
    assert profile is not None
    content, file_name = open_source(source)
    before, after = (measure_photo(content, file_name, greys) for greys in (None, profile.greys))
    return {
        "photo": file_name,
        "card_profile": profile.named.to_json(),
        "before": _in_short(before),
        "after": _in_short(after),
        "changed": {spot: _change(before.spots[spot], after.spots[spot]) for spot in SPOTS},
    }


def _in_short(measurement: Measurement) -> dict[str, Any]:
    whole = measurement.to_json()
    return {part: whole[part] for part in ("spots", "delta_e_2000", "difference", "quality")}


def _change(before: SpotColour | None, after: SpotColour | None) -> dict[str, Any] | None:
    if not before or not after:
        return None
    return {
        "lab": rounded(after.lab - before.lab, 3).tolist(),
        "delta_e_2000": round(float(ciede2000(before.lab, after.lab)), 3),
    }


def _list(book: LotBook) -> list[CalibrationEntry]:
    """All entries about cards in order, read once: what is asked of them is then asked of this list."""
    return book.calibrations.of((CARD, CARD_DEFAULT, CARD_FORGOTTEN))


def _readings(entries: Sequence[CalibrationEntry], name: str) -> list[CalibrationEntry]:
    return _cards(entries).get((name_key(name), ""), [])


def _default(entries: Sequence[CalibrationEntry]) -> str | None:
    chosen = [entry.data.get("card") for entry in entries if entry.kind == CARD_DEFAULT]
    name = chosen[-1] if chosen else None
    return name if name and _readings(entries, name) else None


def _cards(entries: Sequence[CalibrationEntry]) -> dict[tuple[str, str], list[CalibrationEntry]]:
    """The readings of each card that is not forgotten."""
    return list_standing([entry for entry in entries if entry.kind != CARD_DEFAULT], CARD_FORGOTTEN)


def _find(entries: Sequence[CalibrationEntry], name: str) -> list[CalibrationEntry]:
    if found := _readings(entries, name):
        return found
    near = near_names(name, [readings[-1].name for readings in _cards(entries).values()])
    raise NotFoundError(f"There is no card {name!r} in the book.{near} Make its profile with: {MAKE_ONE}")
