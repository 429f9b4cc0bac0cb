"""Entries about cards and phones in the lot book, and which of them photos are read with; it knows no pixels.
They are only added to: something is forgotten by an entry that says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Unpack

from sqlalchemy import select

from colourmatch.book import tables as t
from colourmatch.book.checks import check_name, check_text, name_key, to_json
from colourmatch.book.rows import read_records
from colourmatch.book.transactions import By, Part, insert_once
from colourmatch.records import Record, kept

#: What an entry is about.
CARD, CARD_DEFAULT, CARD_FORGOTTEN = "card", "card-default", "card-forgotten"
KNOWN, FIT, PHONE_FORGOTTEN = "phone-known", "phone-fit", "phone-forgotten"
LOT_CHOICE = "lot-choice"


@dataclass(frozen=True)
class CalibrationEntry:
    """One entry; `name` is the card's, the phone's, or a lot's id; `data` depends on the kind."""

    id: int
    kind: str
    name: str
    light: str | None
    data: dict[str, Any]
    created_at: str
    entered_by: str | None
    original_sha256: str | None
    stored_name: str | None
    original_name: str | None


class LotChoice(Record):
    """The card and the light that a lot's photos are read with; None where nothing was chosen."""

    card: str | None = kept()
    light: str | None = kept()


class Calibrations(Part):
    """Entries about cards and phones of an open book."""

    def add(
        self,
        kind: str,
        name: str,
        data: Mapping[str, Any] | None = None,
        *,
        light: str | None = None,
        photo: tuple[bytes, str] | None = None,
        **by: Unpack[By],
    ) -> CalibrationEntry:
        """Write an entry; a `photo` (bytes, file name) is kept in the photo store without its position data.

        InputError for a name that is none; PhotoError when the file cannot be kept.
        """
        values: dict[str, Any] = {"kind": kind, "name": check_name(name), "name_key": name_key(name)}
        if light is not None:
            values |= {"light": check_name(light, "name of the light"), "light_key": name_key(light)}
        if photo is not None:
            file = self._store.keep_named(*photo)
            values |= {key: said for key, said in file.items() if key != "sha256"}
        check_text(by.get("entered_by"), "name of who entered it")
        derived = ("name", "light", "stored_name", "original_name")  # said by the others
        asked = {key: value for key, value in values.items() if key not in derived}
        asked |= {} if photo is not None else {"data": to_json(data)}
        values |= {"data": to_json(data)}
        written = self._database.write(lambda c: insert_once(c, t.calibrations, by, asked, **values))
        return next(entry for entry in self.of((kind,)) if entry.id == written)

    def of(self, kinds: Sequence[str], name: str | None = None) -> list[CalibrationEntry]:
        """Entries of these kinds in order, of one name where given."""
        query = select(t.calibrations).where(t.calibrations.c.kind.in_(kinds)).order_by(t.calibrations.c.id)
        if name is not None:
            query = query.where(t.calibrations.c.name_key == name_key(name))
        found = self._read(read_records, query, CalibrationEntry)
        return [replace(entry, data=entry.data or {}) for entry in found]

    def lot_choice(self, lot: int) -> LotChoice:
        """The card and light of a lot's photos."""
        entries = self.of((LOT_CHOICE,), f"lot {lot}")
        return LotChoice.from_json(entries[-1].data) if entries else LotChoice()


def list_standing(entries: Sequence[CalibrationEntry], forgotten: str) -> dict[tuple[str, str], list[CalibrationEntry]]:
    """The entries about each card, or each phone in a light, after the last one that forgets it; by keys of name and light."""
    standing: dict[tuple[str, str], list[CalibrationEntry]] = {}
    for entry in entries:
        key = (name_key(entry.name), name_key(entry.light or ""))
        if entry.kind == forgotten:
            standing.pop(key, None)
        else:
            standing.setdefault(key, []).append(entry)
    return standing
