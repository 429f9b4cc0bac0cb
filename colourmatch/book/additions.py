"""Doses in the lots of the book, and batch taken out or blended in: entered, put right, also as a label was put right."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Unpack

from sqlalchemy import Connection, func, select

from colourmatch.book import tables as t
from colourmatch.book.checks import check_name, check_number, check_text, name_key, to_json
from colourmatch.book.entries import AdditionEntry, VolumeEntry
from colourmatch.book.naming import find_lot_id, find_stock, is_same_stock, stocks_named
from colourmatch.book.rows import is_open, read_lot, read_story
from colourmatch.book.shelf_records import StockEntry
from colourmatch.book.transactions import By, Part, correct, enter, insert, put_entry
from colourmatch.errors import ClosedError, InputError
from colourmatch.liquid.stock import Addition, check_stock
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

        def particulars(connection: Connection, old: AdditionEntry) -> dict[str, Any]:
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

    def take_sample(self, lot: int | str, ml: float, *, returned: bool = False, **by: Unpack[By]) -> VolumeEntry:
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

        return correct(
            self._database, entry_id, VolumeEntry, lambda _c, old: pick(old, "ml", "trial_lot_id") | wanted, reason,
            **by, asked=lambda _c: wanted,
        )  # fmt: skip


def _pick_amount(drops: float | None, ml: float | None, grams: float | None) -> tuple[str, float]:
    amounts = zip(UNITS, (drops, ml, grams), strict=True)
    given = [(unit, value) for unit, value in amounts if value is not None]
    if len(given) != 1:
        raise InputError("Give the amount once: as drops, as ml or as grams.")
    return given[0][0], check_number(*given[0])


def make_dose(stock: StockEntry, unit: str, quantity: float) -> Addition:
    """What was typed of a stock, by its label."""
    make = {"drops": Addition.from_drops, "ml": Addition.from_ml, "grams": Addition.from_grams}[unit]
    return make(stock.as_stock(learnt=False), quantity)


def compute_dose(stock: StockEntry, unit: str, quantity: float) -> dict[str, Any]:
    """The row of an addition: what was typed, what it is in ml and mg, and the stock as it is now."""
    dose = make_dose(stock, unit, quantity)
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


_THINNED = "thinned from "


@dataclass(frozen=True)
class StockCorrection:
    """A stock put right, the entries of open lots that count otherwise now (lot, new entry), and what was thinned from it."""

    stock: StockEntry
    entries: tuple[tuple[int, int], ...] = ()
    thinned: tuple[str, ...] = ()

    @property
    def told(self) -> list[str]:
        """What was put right, then what follows from it, sentence by sentence."""
        lines = [f"Corrected: {self.stock.corrected[-1]}."]
        if self.thinned:
            lines.append(f"Thinned from it, and put right with it: {', '.join(self.thinned)}.")
        if lots := sorted({lot_id for lot_id, _ in self.entries}):
            doses = f"{len(self.entries)}, in lot {', '.join(map(str, lots))}"
            lines.append(f"Doses of open lots that count by the new label now: {doses}.")
        return lines


def check_stock_changes(connection: Connection, old: StockEntry, given: dict[str, Any]) -> dict[str, Any]:
    """The changes as they are kept; InputError for what is not possible, is taken, or is so already."""
    now = {"label_g_per_100ml": old.label_strength_g_per_100ml} | pick(old, "name", "notes")
    wanted = now | given
    # what is kept and was not asked about stays as it is, even where it would not be taken today
    if "name" in given:
        wanted["name"] = check_name(wanted["name"], "name of the stock")
    if "notes" in given:
        wanted["notes"] = check_text(wanted["notes"], "notes")
    label = wanted["label_g_per_100ml"]
    check_stock(replace(old.as_stock(learnt=False), name=wanted["name"], strength_g_per_100ml=label))
    wanted["label_g_per_100ml"] = float(label)
    others = (known for known in stocks_named(connection, wanted["name"]) if known.id != old.id)
    if name_key(wanted["name"]) != name_key(old.name) and any(known.active for known in others):
        raise InputError(f"A stock called {wanted['name']!r} is on the shelf already. Take another name.")
    details = given.get("details", {})
    wanted["details"] = {key: value for key, value in details.items() if getattr(old, key) != value} or None
    changes = {key: value for key, value in wanted.items() if value != now.get(key)}
    if not changes:
        raise InputError(f"The stock {old.name!r} is so already. Say what was wrong.")
    return changes


def put_stock_right(
    connection: Connection, old: StockEntry, changes: dict[str, Any], why: str, by: By
) -> StockCorrection:
    kept = changes | ({"details": to_json(changes["details"])} if "details" in changes else {})
    insert(connection, t.stock_entries, stock_id=old.id, kind="corrected", text=why, **by, **kept)
    new = find_stock(connection, old.id)
    if "label_g_per_100ml" not in changes:
        return StockCorrection(new)
    thinned = _relabel_thinned(connection, old, new, why, by.get("entered_by"))
    entries: list[tuple[int, int]] = []
    for stock in (new, *thinned):
        told = f"the label of {stock.name} was put right: {why}"
        used = select(t.lot_entries.c.lot_id).join(t.additions, t.additions.c.entry_id == t.lot_entries.c.id)
        query = select(t.lots.c.id).where(t.lots.c.id.in_(used.where(t.additions.c.stock_id == stock.id)))
        for lot_id in connection.scalars(query.where(is_open()).order_by(t.lots.c.id)).all():
            find_lot_id(connection, lot_id, lock=True)
            if not read_lot(connection, lot_id).closed:
                entries += relabel(connection, lot_id, stock, told, by.get("entered_by"))
    return StockCorrection(new, tuple(entries), tuple(stock.name for stock in thinned))


def _relabel_thinned(
    connection: Connection, old: StockEntry, new: StockEntry, why: str, entered_by: str | None
) -> list[StockEntry]:
    """Bring what was thinned from a stock to its new label; a label that was put right by itself is left."""
    made: list[StockEntry] = []
    change, begins = t.stock_entries.c, func.substr(t.stock_entries.c.text, 1, len(_THINNED))
    own = select(change.stock_id).where(change.label_g_per_100ml.is_not(None), begins != _THINNED)
    children = select(t.stocks.c.id).where(t.stocks.c.diluted_from_id == old.id, t.stocks.c.id.not_in(own))
    for child_id in connection.scalars(children.order_by(t.stocks.c.id)).all():
        child = find_stock(connection, child_id)
        ratio = new.label_strength_g_per_100ml / old.label_strength_g_per_100ml
        insert(
            connection, t.stock_entries, stock_id=child_id, kind="corrected", entered_by=entered_by,
            text=f"{_THINNED}{new.name}: {why}", label_g_per_100ml=child.label_strength_g_per_100ml * ratio,
        )  # fmt: skip
        now = find_stock(connection, child_id)
        made += [now, *_relabel_thinned(connection, child, now, why, entered_by)]
    return made


def relabel(
    connection: Connection, lot_id: int, stock: StockEntry, told: str, entered_by: str | None
) -> list[tuple[int, int]]:
    """Correct the doses of a lot that were entered by another label of a stock; the lot and each new entry."""
    label, made = stock.label_strength_g_per_100ml, []
    for entry in read_story(connection, lot_id).additions:
        if entry.stock_id == stock.id and entry.strength_g_per_100ml != label:
            mg = entry.mg * label / entry.strength_g_per_100ml
            dose = same_dose(entry, mg=mg, strength_g_per_100ml=label)
            head = {"replaces_id": entry.id, "reason": told, "entered_by": entered_by}
            made.append((lot_id, put_entry(connection, lot_id, "addition", dose, **head)))
    return made
