"""The references of the book, that lots are tinted to, and their readings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any, Unpack

from sqlalchemy import Connection

from colourmatch.book import checks
from colourmatch.book import tables as t
from colourmatch.book.naming import find_reference
from colourmatch.book.photo_store import KeptPhoto, hash_photo
from colourmatch.book.rows import in_columns, read_reference_readings, read_references
from colourmatch.book.shelf_records import Reference, ReferenceReading
from colourmatch.book.transactions import By, Part, find_token, insert_once, reads
from colourmatch.records import plain

if TYPE_CHECKING:  # lists of references do not wait for it
    from colourmatch.measurement import Measurement


class References(Part):
    """References of an open book."""

    def add(self, name: str, notes: str = "", **by: Unpack[By]) -> Reference:
        """Note a reference that lots are tinted to; its readings are added later."""
        name, notes = checks.check_name(name, "name of the reference"), checks.check_text(notes, "notes")

        def act(connection: Connection) -> int:
            asked = {"name": name, "notes": notes}
            return insert_once(connection, t.references, by, asked, **asked, name_key=checks.name_key(name))

        return self.get(self._database.write(act))

    def add_reading(
        self,
        reference: str | int,
        lab: Iterable[float],
        *,
        depth_mm: float,
        dilution: float = 1.0,
        lab_sd: Iterable[float] | None = None,
        measurement: Measurement | Mapping[str, Any] | None = None,
        photo: bytes | KeptPhoto | None = None,
        taken_at: datetime | str | None = None,
        original_name: str | None = None,
        **by: Unpack[By],
    ) -> ReferenceReading:
        """Add a reading of a reference: Lab (D65, 2 degrees) at this depth and dilution.

        A `photo` goes to the photo store first, unless it was kept there already. PhotoError when the file is none that
        can be kept.
        """
        found = self.get(reference)
        if (colour := checks.check_lab(lab)) is None:
            raise ValueError("lab is needed, got None")
        values: dict[str, Any] = {
            **in_columns("lab", colour),
            **in_columns("lab_sd", None if lab_sd is None else [float(part) for part in lab_sd]),
            "reference_id": found.id,
            "depth_mm": checks.check_number("depth_mm", depth_mm),
            "dilution": checks.check_number("dilution", dilution),
            "taken_at": None if taken_at is None else checks.utc_text(taken_at),
            "measurement": checks.to_json(plain(measurement)),
            **self._store.keep_named(photo, original_name),
        }
        values["photo_sha256"] = values.pop("sha256")
        # what was read from the same file again may differ in a digit
        seen = ("original_sha256",) if photo is not None else ("lab_l", "lab_a", "lab_b")
        asked = {key: values[key] for key in ("reference_id", *seen)}
        entry_id = self._database.write(lambda c: insert_once(c, t.reference_readings, by, asked, **values))
        return next(reading for reading in self.readings(found.id) if reading.id == entry_id)

    def with_token(self, token: str) -> Reference | None:
        """The reference that was noted with a token, None when there is none."""
        known = self._read(find_token, t.references, token)
        return None if known is None else self.get(int(known["id"]))

    all, get = reads(read_references), reads(find_reference)

    def readings(self, reference: str | int) -> list[ReferenceReading]:
        """Readings of a reference in the order in which they were entered."""
        return self._read(read_reference_readings, self.get(reference).id)

    def find_photo(self, photo: bytes, reference: str | int) -> ReferenceReading | None:
        """The first reading of a reference from this very photo, None when it is new: a resubmitted photo."""
        sha256 = hash_photo(photo)
        readings = self.readings(reference)
        return next((one for one in readings if sha256 in (one.original_sha256, one.photo_sha256)), None)
