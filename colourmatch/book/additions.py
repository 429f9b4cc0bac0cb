"""Doses of stocks in the lots of the book, and batch that was taken out or blended in without colour: entered, and put right."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Unpack

from sqlalchemy import Connection

from colourmatch.book import tables as t
from colourmatch.book.checks import check_number
from colourmatch.book.entering import correct, enter
from colourmatch.book.entries import AdditionEntry, LotEntry, VolumeEntry
from colourmatch.book.naming import find_stock, is_same_stock
from colourmatch.book.rows import read_lot
from colourmatch.book.shelf_records import StockEntry
from colourmatch.book.transactions import By, Part
from colourmatch.errors import ClosedError, InputError
from colourmatch.liquid.stock import Addition
from colourmatch.records import pick

UNITS = ("drops", "ml", "grams")
#: What is kept of a stock with a dose of it, by the label.
_OF_STOCK = ("strength_g_per_100ml", "drop_ml", "strength_rel_sd", "drop_rel_sd", "density_g_per_ml")


class Additions(Part):
    """Doses in the lots of an open book."""

    def add(
        self,
        lot: int | str,
        stock: str | int,
        *,
        drops: float | None = None,
        ml: float | None = None,
        grams: float | None = None,
        **by: Unpack[By],
    ) -> AdditionEntry:
        """Write down a dose that went in, as drops, ml or grams (one of them).

        The stock need not be one that the lot was begun with: what went in is written down.
        ClosedError when the lot is closed, InputError for an impossible amount.
        """
        unit, quantity = _pick_amount(drops, ml, grams)

        def particulars(connection: Connection, lot_id: int) -> dict[str, Any]:
            found = find_stock(connection, stock)
            if not found.active:
                raise ClosedError(f"The stock {found.name!r} is put away. Name the one that went in.")
            values = compute_dose(found, unit, quantity)
            refuse_flood(connection, lot_id, values["ml"])
            return values

        def asked(connection: Connection, _lot_id: int) -> dict[str, Any]:
            return {"quantity": quantity, "unit": unit, "stock_id": is_same_stock(connection, stock)}

        return enter(self._database, "addition", AdditionEntry, lot, particulars, **by, asked=asked)

    def correct(
        self,
        entry_id: int,
        *,
        reason: str,
        drops: float | None = None,
        ml: float | None = None,
        grams: float | None = None,
        stock: str | int | None = None,
        void: bool = False,
        **by: Unpack[By],
    ) -> AdditionEntry:
        """Put an addition right with a new entry, in a closed lot too; `void` True: it never happened.

        Drops and grams are computed with the stock as it was when the dose was entered, unless another stock
        is named; a stock without an amount: as much of that. InputError when it was corrected before: the latest entry is the one to correct.
        """
        same = stock is not None and drops is ml is grams is None
        typed = None if void or same else _pick_amount(drops, ml, grams)

        def particulars(connection: Connection, old: LotEntry) -> dict[str, Any]:
            if not isinstance(old, AdditionEntry):
                raise InputError(
                    f"Entry {entry_id} is no addition but a {old.kind}. Look it up in the lot again."
                )
            if stock is not None:
                known = find_stock(connection, stock)
            else:  # as it was recorded
                then = pick(old, *_OF_STOCK)
                then |= {f"label_{key}": then.pop(key) for key in ("strength_g_per_100ml", "strength_rel_sd")}
                known = replace(find_stock(connection, old.stock_id), **then)
            if void:
                undone = pick(old, "quantity", "unit", "ml", "mg") | {"void": True}
                return compute_dose(known, "ml", 1.0) | undone
            values = compute_dose(known, *(typed or (old.unit, old.quantity)))
            refuse_flood(connection, old.lot_id, values["ml"])
            return values

        def asked(connection: Connection) -> dict[str, Any]:
            amount = dict(zip(("unit", "quantity"), typed or (), strict=False))
            other = {} if stock is None else {"stock_id": is_same_stock(connection, stock)}
            return {"void": void, **amount, **other}

        return correct(self._database, entry_id, AdditionEntry, particulars, reason, **by, asked=asked)


class Volumes(Part):
    """Samples and untinted parts of the lots of an open book."""

    def take_sample(
        self, lot: int | str, ml: float, *, returned: bool = False, **by: Unpack[By]
    ) -> VolumeEntry:
        """Write down a sample taken from the batch; `returned` True: it went back whole, nothing changes."""
        values = {"ml": check_number("ml", ml), "returned": returned, "void": False}
        return enter(self._database, "sample", VolumeEntry, lot, values, **by, prove=True)

    def add_untinted(self, lot: int | str, ml: float, **by: Unpack[By]) -> VolumeEntry:
        """Write down untinted batch that was blended back, the way out when the colour is past the match."""
        values = {"ml": check_number("ml", ml), "returned": False, "void": False}
        return enter(self._database, "untinted", VolumeEntry, lot, values, **by)

    def correct(
        self,
        entry_id: int,
        *,
        reason: str,
        ml: float | None = None,
        returned: bool = False,
        void: bool = False,
        **by: Unpack[By],
    ) -> VolumeEntry:
        """Put a sample or an untinted part right with a new entry; `void` True: it never happened."""
        if ml is None and not void:
            raise ValueError("one of ml and void is needed")
        wanted = {"returned": returned, "void": void} | ({} if ml is None else {"ml": check_number("ml", ml)})

        def particulars(_connection: Connection, old: LotEntry) -> dict[str, Any]:
            if not isinstance(old, VolumeEntry):
                raise InputError(
                    f"Entry {entry_id} is no sample but a {old.kind}. Look it up in the lot again."
                )
            return pick(old, "ml", "trial_lot_id") | wanted

        return correct(
            self._database, entry_id, VolumeEntry, particulars, reason, **by, asked=lambda _c: wanted
        )


def _pick_amount(drops: float | None, ml: float | None, grams: float | None) -> tuple[str, float]:
    amounts = zip(UNITS, (drops, ml, grams), strict=True)
    given = [(unit, value) for unit, value in amounts if value is not None]
    if len(given) != 1:
        raise InputError("Give the amount once: as drops, as ml or as grams.")
    return given[0][0], check_number(*given[0])


def compute_dose(stock: StockEntry, unit: str, quantity: float) -> dict[str, Any]:
    """The row of an addition: what was typed, what it is in ml and mg, and the stock as it is now."""
    make = {"drops": Addition.from_drops, "ml": Addition.from_ml, "grams": Addition.from_grams}[unit]
    dose = make(stock.as_stock(learnt=False), quantity)
    said = {"stock_id": stock.id, "quantity": quantity, "unit": unit, "void": False}
    return said | pick(dose, "ml", "mg") | pick(dose.stock, *_OF_STOCK)


def same_dose(entry: AdditionEntry, **other: Any) -> dict[str, Any]:
    """The row of a dose as it was entered, with the stock as it was then, but for what is other."""
    return pick(entry, *(column.name for column in t.additions.c if column.name != "entry_id")) | other


def refuse_flood(connection: Connection, lot_id: int, ml: float) -> None:
    """A dose larger than the batch is a unit mixed up."""
    volume_ml = read_lot(connection, lot_id).volume_ml
    if ml > volume_ml:
        raise InputError(
            f"That dose is {ml:g} ml, more than the whole batch of {volume_ml:g} ml. "
            "Check the number and whether it is drops, ml or grams."
        )
