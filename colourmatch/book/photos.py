"""Photos of the lots of the book: kept with what was measured, found again, set aside."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Unpack, cast

from sqlalchemy import Connection, or_, select

from colourmatch.book import tables as t
from colourmatch.book.checks import check_one_of, to_json, utc_text
from colourmatch.book.entering import check_reason, enter, refuse_closed
from colourmatch.book.entries import AsideEntry, PhotoEntry
from colourmatch.book.naming import find_lot_id
from colourmatch.book.photo_store import hash_photo
from colourmatch.book.rows import read_entry, read_events
from colourmatch.book.transactions import By, Part, find_token
from colourmatch.errors import InputError, NotFoundError
from colourmatch.measurement import Measurement
from colourmatch.records import plain

if TYPE_CHECKING:  # lists of lots do not wait for it
    from colourmatch.advice import Advice

PURPOSES = ("match", "recheck")
#: The ends of the names of a difference's columns: its figures in a measurement.
_DELTA = {"": "value", "_low": "low", "_high": "high"}


class Photos(Part):
    """Photos of the lots of an open book."""

    def add(
        self,
        lot: int | str,
        measurement: Measurement | Mapping[str, Any],
        advice: Advice | Mapping[str, Any] | None = None,
        *,
        photo: bytes | Path | str | None = None,
        purpose: str = "match",
        taken_at: datetime | str | None = None,
        original_name: str | None = None,
        **by: Unpack[By],
    ) -> PhotoEntry:
        """Keep a photo, what was measured on it and what was advised; the file goes to the photo store first.

        A recheck may be added to a closed lot. PhotoError when the file is none that can be kept.
        """
        check_one_of(purpose, PURPOSES, "purpose")
        with self._database.read() as connection:  # a photo that will be refused is not stored
            if purpose == "match" and find_token(connection, t.lot_entries, by.get("token")) is None:
                refuse_closed(connection, find_lot_id(connection, lot))
        file = self._store.keep_named(photo, original_name)
        recorded = plain(measurement)
        delta = recorded.get("delta_e_2000") or {}
        texts = {"measurement": to_json(recorded), "advice": to_json(plain(advice))}
        values = {
            "purpose": purpose,
            **file,
            "taken_at": None if taken_at is None else utc_text(taken_at),
            **{f"delta_e_2000{end}": _finite(delta.get(key)) for end, key in _DELTA.items()},
            **texts,
        }
        # what was read from the same file again may differ in a digit, and what is advised now differs
        seen = {"original_sha256": file["original_sha256"], "purpose": purpose}
        seen |= {} if photo is not None else {"measurement": texts["measurement"]}
        return enter(
            self._database, "photo", PhotoEntry, lot, lambda _c, lot_id: values | {"lot_id": lot_id},
            **by, when_closed=purpose == "recheck", asked=seen,
        )  # fmt: skip

    def find(self, photo: bytes | Path | str, lot: int | str | None = None) -> PhotoEntry | None:
        """The first entry of this very photo (in one lot), None when it is new: a resubmitted photo."""
        sha256 = hash_photo(photo)
        either = or_(t.photos.c.original_sha256 == sha256, t.photos.c.sha256 == sha256)
        query = select(t.photos.c.entry_id).where(either).order_by(t.photos.c.entry_id).limit(1)
        with self._database.read() as connection:
            if lot is not None:
                query = query.where(t.photos.c.lot_id == find_lot_id(connection, lot))
            entry_id = connection.scalar(query)
            return None if entry_id is None else cast(PhotoEntry, read_entry(connection, entry_id))

    def set_aside(
        self, lot: int | str, photo: int | str, why: str, *, back: bool = False, **by: Unpack[By]
    ) -> AsideEntry:
        """Leave a photo of a lot, open or closed, out of all that is said of it; `back` True: it counts again.

        photo: its entry, or the name of its file. Nothing is deleted. NotFoundError when the lot has no such photo,
        InputError when it is set aside already, or is not.
        """
        reason = check_reason(why)

        def check(connection: Connection, lot_id: int) -> None:
            found = _find_lot_photo(connection, photo, lot_id)
            if (found.aside is None) == back:
                said = "counts as it is" if back else f"is set aside already: {found.aside}"
                raise InputError(f"Photo {found.original_name or ''} (entry {found.id}) {said}. Leave it so.")

        def values(connection: Connection, lot_id: int) -> dict[str, Any]:
            return {"photo_entry_id": _find_lot_photo(connection, photo, lot_id).id, "back": back}

        return enter(
            self._database,
            "set-aside",
            AsideEntry,
            lot,
            values,
            **by,
            reason=reason,
            when_closed=True,
            check=check,
        )


def _find_lot_photo(connection: Connection, photo: int | str, lot_id: int) -> PhotoEntry:
    events = read_events(connection, [lot_id], heavy=False)[lot_id]
    photos = [entry for entry in events if isinstance(entry, PhotoEntry)]
    typed = str(photo).strip()
    found = [p for p in photos if str(p.id) == typed] or [p for p in photos if p.original_name == typed]
    if len(found) == 1:
        return found[0]
    listed = ", ".join(f"{p.id} ({p.original_name or 'no name'})" for p in found or photos) or "none yet"
    if found:
        raise InputError(f"Lot {lot_id} has {len(found)} photos {typed}. Give the entry of one: {listed}.")
    raise NotFoundError(f"Lot {lot_id} has no photo {typed}. Give one of its photos by entry: {listed}.")


def _finite(value: Any) -> float | None:
    return float(value) if value is not None and math.isfinite(float(value)) else None
