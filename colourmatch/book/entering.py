"""Writes what happens to a lot: doses, samples, photos, notes, corrections, closing. It changes no row."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

from sqlalchemy import func, or_, select

from colourmatch.book import tables as t
from colourmatch.book.checks import (
    check_number,
    check_one_of,
    check_outcome,
    check_text,
    name_key,
    to_json,
    utc_text,
)
from colourmatch.book.entries import (
    AdditionEntry,
    ClosingEntry,
    LotEntry,
    NoteEntry,
    PhotoEntry,
    StockEntry,
    VolumeEntry,
)
from colourmatch.book.lots import Ledger
from colourmatch.book.photo_store import hash_photo
from colourmatch.book.rows import read_entry, read_lots, still_closed
from colourmatch.book.transactions import find_token, insert, refuse_other
from colourmatch.errors import ClosedError, InputError
from colourmatch.liquid.stock import Addition
from colourmatch.measurement import Measurement
from colourmatch.records import plain
from colourmatch.words.times import tell_date

if TYPE_CHECKING:
    from sqlalchemy import Connection

E = TypeVar("E", bound=LotEntry)
UNITS = ("drops", "ml", "grams")
PURPOSES = ("match", "recheck")


class Entering(Ledger):
    """Entries of the lots of an open book."""

    def add_addition(
        self,
        lot: int | str,
        stock: str | int,
        *,
        drops: float | None = None,
        ml: float | None = None,
        grams: float | None = None,
        entered_by: str | None = None,
        token: str | None = None,
    ) -> AdditionEntry:
        """Write down a dose that went in, as drops, ml or grams (one of them).

        The stock need not be one that the lot was begun with: what went in is written down.
        ClosedError when the lot is closed, InputError for an impossible amount.
        """
        unit, quantity = pick_amount(drops, ml, grams)

        def particulars(connection: Connection, lot_id: int) -> dict[str, Any]:
            found = self._stock(connection, stock)
            if not found.active:
                raise ClosedError(f"The stock {found.name!r} is put away. Name the one that went in.")
            values = compute_dose(found, unit, quantity)
            self._refuse_flood(connection, lot_id, values["ml"])
            return values

        def asked(connection: Connection, _lot_id: int) -> dict[str, Any]:
            return {"quantity": quantity, "unit": unit, "stock_id": self._same_stock(connection, stock)}

        return self._enter(
            "addition", AdditionEntry, lot, particulars, entered_by=entered_by, token=token, asked=asked
        )

    def take_sample(
        self,
        lot: int | str,
        ml: float,
        *,
        returned: bool = False,
        entered_by: str | None = None,
        token: str | None = None,
    ) -> VolumeEntry:
        """Write down a sample taken from the batch; `returned` True: it went back whole, nothing changes."""
        values = {"ml": check_number("ml", ml), "returned": bool(returned), "void": False}
        return self._enter(
            "sample", VolumeEntry, lot, lambda _c, _id: values, entered_by=entered_by, token=token, prove=True,
            asked=lambda _c, _id: values,
        )  # fmt: skip

    def add_untinted(
        self, lot: int | str, ml: float, *, entered_by: str | None = None, token: str | None = None
    ) -> VolumeEntry:
        """Write down untinted batch that was blended back, the way out when the colour is past the match."""
        values = {"ml": check_number("ml", ml), "returned": False, "void": False}
        return self._enter(
            "untinted", VolumeEntry, lot, lambda _c, _id: values, entered_by=entered_by, token=token,
            asked=lambda _c, _id: values,
        )  # fmt: skip

    def add_photo(
        self,
        lot: int | str,
        measurement: Measurement | Mapping[str, Any],
        advice: Mapping[str, Any] | None = None,
        *,
        photo: bytes | Path | str | None = None,
        purpose: str = "match",
        taken_at: datetime | str | None = None,
        original_name: str | None = None,
        entered_by: str | None = None,
        token: str | None = None,
    ) -> PhotoEntry:
        """Keep a photo, what was measured on it and what was advised; the file goes to the photo store first.

        A recheck may be added to a closed lot. PhotoError when the file is none that can be kept.
        """
        check_one_of(purpose, PURPOSES, "purpose")
        with self._read() as connection:  # a photo that will be refused is not stored
            if purpose == "match" and find_token(connection, t.lot_entries, token) is None:
                refuse_closed(connection, self._lot_id(connection, lot))
        kept = None if photo is None else self.photo_store.keep(photo)
        if original_name is None and isinstance(photo, (str, Path)):
            original_name = Path(photo).name
        recorded = plain(measurement)
        delta = recorded.get("delta_e_2000") or {}
        texts = {"measurement": to_json(recorded), "advice": to_json(advice)}
        values = {
            "purpose": purpose,
            "sha256": kept and kept.sha256,
            "original_sha256": kept and kept.original_sha256,
            "stored_name": kept and kept.name,
            "original_name": None if original_name is None else check_text(original_name, "file name")[:255],
            "taken_at": None if taken_at is None else utc_text(taken_at),
            "delta_e_2000": _finite(delta.get("value")),
            "delta_e_2000_low": _finite(delta.get("low")),
            "delta_e_2000_high": _finite(delta.get("high")),
            **texts,
        }
        # what was read from the same file again may differ in a digit, and what is advised now differs
        seen = {"original_sha256": values["original_sha256"], "purpose": purpose}
        seen |= {} if kept else {"measurement": texts["measurement"]}
        return self._enter(
            "photo", PhotoEntry, lot, lambda _c, lot_id: values | {"lot_id": lot_id},
            entered_by=entered_by, token=token, when_closed=purpose == "recheck",
            asked=lambda _c, _id: seen,
        )  # fmt: skip

    def find_photo(self, photo: bytes | Path | str, lot: int | str | None = None) -> PhotoEntry | None:
        """The first entry of this very photo (in one lot), None when it is new: a resubmitted photo."""
        sha256 = hash_photo(photo)
        either = or_(t.photos.c.original_sha256 == sha256, t.photos.c.sha256 == sha256)
        query = select(t.photos.c.entry_id).where(either).order_by(t.photos.c.entry_id).limit(1)
        with self._read() as connection:
            if lot is not None:
                query = query.where(t.photos.c.lot_id == self._lot_id(connection, lot))
            entry_id = connection.scalar(query)
            return None if entry_id is None else cast(PhotoEntry, read_entry(connection, entry_id))

    def add_note(
        self, lot: int | str, text: str, *, entered_by: str | None = None, token: str | None = None
    ) -> NoteEntry:
        """Write a note into a lot, open or closed."""
        values = {"text": check_text(text, "note")}
        if not values["text"].strip():
            raise InputError("The note is empty. Write something.")
        return self._enter(
            "note",
            NoteEntry,
            lot,
            lambda _c, _id: values,
            entered_by=entered_by,
            token=token,
            when_closed=True,
            asked=lambda _c, _id: values,
        )

    def entered_with(self, lot: int | str, token: str | None) -> LotEntry | None:
        """The entry of a lot that was made with a token, None when there is none."""
        with self._read() as connection:
            row = find_token(connection, t.lot_entries, token)
            mine = row is not None and row["lot_id"] == self._lot_id(connection, lot)
            return read_entry(connection, row["id"]) if mine else None

    def close_lot(
        self,
        lot: int | str,
        outcome: str,
        text: str = "",
        final: Mapping[str, Any] | None = None,
        *,
        entered_by: str | None = None,
        token: str | None = None,
    ) -> ClosingEntry:
        """Close a lot: `outcome` is one of checks.OUTCOMES, or own words of up to 40 characters.

        Afterwards corrections, notes and rechecks are still taken, a dose is refused with ClosedError.
        """
        values = {
            "outcome": check_outcome(outcome),
            "text": check_text(text),
            "final": to_json(final),
        }
        return self._enter(
            "closing", ClosingEntry, lot, lambda c, lot_id: values | count_reopenings(c, lot_id),
            entered_by=entered_by, token=token,
            asked=lambda _c, _id: {key: values[key] for key in ("outcome", "text")},
        )  # fmt: skip

    def _same_stock(self, connection: Connection, stock: str | int) -> Callable[[int], bool]:
        """Whether a stock that is asked for is the one of an id, though it was renamed or put away since."""

        def is_it(stock_id: int) -> bool:
            first = select(t.stocks.c.name).where(t.stocks.c.id == stock_id)
            later = select(t.stock_entries.c.name).where(t.stock_entries.c.stock_id == stock_id)
            names = [name_key(name) for name in connection.scalars(first.union(later)) if name]
            return name_key(str(stock)) in (*names, str(stock_id))

        return is_it

    def _enter(
        self,
        kind: str,
        expected: type[E],
        lot: int | str,
        particulars: Callable[[Connection, int], dict[str, Any]],
        *,
        entered_by: str | None,
        token: str | None,
        reason: str | None = None,
        when_closed: bool = False,
        prove: bool = False,
        then: Callable[[Connection, int], None] | None = None,
        asked: Callable[[Connection, int], Mapping[str, Any]] = lambda _c, _id: {},
    ) -> E:
        """One entry of a lot, and what follows from it, in one transaction.

        The same token again gives the first entry when `asked` and the reason are what it holds, else an InputError.
        """

        def act(connection: Connection) -> E:
            lot_id = self._lot_id(connection, lot, lock=True)
            if (known := find_repeat(connection, token, lot_id, kind)) is not None:
                refuse_other_entry(connection, known, {**asked(connection, lot_id), "reason": reason})
                return cast(E, known)
            if not when_closed:
                refuse_closed(connection, lot_id)
            body = particulars(connection, lot_id)
            entry_id = insert(
                connection, t.lot_entries, lot_id=lot_id, kind=kind, reason=reason,
                entered_by=entered_by, token=token,
            )  # fmt: skip
            connection.execute(t.PARTS[kind].insert().values(entry_id=entry_id, **body))
            if then is not None:
                then(connection, lot_id)
            entered: E = self._entered(connection, entry_id, prove)
            return entered

        return self._write(act)

    def _entered(self, connection: Connection, entry_id: int, prove: bool) -> Any:
        """The entry as it is read back; `prove`: InputError takes it back when the lot no longer adds up."""
        entry = read_entry(connection, entry_id)
        assert entry is not None
        if prove:
            self._story(connection, entry.lot_id).state()
        return entry

    def _refuse_flood(self, connection: Connection, lot_id: int, ml: float) -> None:
        """A dose larger than the batch is a unit mixed up."""
        volume_ml = read_lots(connection, select(t.lots).where(t.lots.c.id == lot_id))[0].volume_ml
        if ml > volume_ml:
            raise InputError(
                f"That dose is {ml:g} ml, more than the whole batch of {volume_ml:g} ml. "
                "Check the number and whether it is drops, ml or grams."
            )


def find_repeat(connection: Connection, token: str | None, lot_id: int, kind: str) -> LotEntry | None:
    row = find_token(connection, t.lot_entries, token)
    if row is None:
        return None
    refuse_other(row, {"lot_id": lot_id, "kind": kind})
    return read_entry(connection, row["id"])


def refuse_other_entry(connection: Connection, known: LotEntry, asked: Mapping[str, Any]) -> None:
    """InputError when an entry found by its token is not what is asked for; keys are columns of its head or its part."""
    head, part = t.lot_entries, t.PARTS[known.kind]
    row = connection.execute(select(head).where(head.c.id == known.id)).mappings().one()
    body = connection.execute(select(part).where(part.c.entry_id == known.id)).mappings().one()
    refuse_other({**body, **row}, asked)


def count_reopenings(connection: Connection, lot_id: int) -> dict[str, int]:
    """The part of a closing that lets a lot be closed once after each time that it was opened again."""
    query = select(func.count()).select_from(t.closings).where(t.closings.c.lot_id == lot_id)
    return {"lot_id": lot_id, "reopened_before": int(connection.scalar(query) or 0)}


def refuse_closed(connection: Connection, lot_id: int) -> None:
    query = select(t.lot_entries.c.created_at).join(t.closings, t.closings.c.entry_id == t.lot_entries.c.id)
    closed_at = connection.scalar(query.where(t.closings.c.lot_id == lot_id, still_closed()))
    if closed_at is not None:
        raise ClosedError(
            f"Lot {lot_id} was closed on {tell_date(closed_at)}: it takes corrections, notes and rechecks only. "
            f"Begin a new lot for anything else, or open it again: colourmatch lot reopen {lot_id} --reason WHY"
        )


def pick_amount(drops: float | None, ml: float | None, grams: float | None) -> tuple[str, float]:
    given = [
        (unit, value) for unit, value in zip(UNITS, (drops, ml, grams), strict=True) if value is not None
    ]
    if len(given) != 1:
        raise InputError("Give the amount once: as drops, as ml or as grams.")
    return given[0][0], check_number(*given[0])


def compute_dose(stock: StockEntry, unit: str, quantity: float) -> dict[str, Any]:
    """The row of an addition: what was typed, what it is in ml and mg, and the stock as it is now."""
    make = {"drops": Addition.from_drops, "ml": Addition.from_ml, "grams": Addition.from_grams}[unit]
    addition = make(stock.as_stock(learnt=False), quantity)
    return {
        "stock_id": stock.id,
        "quantity": quantity,
        "unit": unit,
        "ml": addition.ml,
        "mg": addition.mg,
        "void": False,
        "strength_g_per_100ml": stock.label_strength_g_per_100ml,
        "drop_ml": stock.drop_ml,
        "strength_rel_sd": stock.label_strength_rel_sd,
        "drop_rel_sd": stock.drop_rel_sd,
        "density_g_per_ml": stock.density_g_per_ml,
    }


def _finite(value: Any) -> float | None:
    return float(value) if value is not None and math.isfinite(float(value)) else None
