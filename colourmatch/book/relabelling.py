"""What follows when the label of a stock is put right: the doses of open lots, and what was thinned from it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, select

from colourmatch.book import tables as t
from colourmatch.book.additions import same_dose
from colourmatch.book.checks import check_name, check_text, name_key, to_json
from colourmatch.book.entering import put_entry
from colourmatch.book.naming import find_lot_id, find_stock, stocks_named
from colourmatch.book.rows import is_open, read_stock_changes, read_story
from colourmatch.book.shelf_records import StockEntry
from colourmatch.book.transactions import By, insert
from colourmatch.errors import InputError
from colourmatch.liquid.stock import check_stock
from colourmatch.records import pick

_THINNED = "thinned from "


@dataclass(frozen=True)
class StockCorrection:
    """A stock put right, the entries of open lots that count otherwise now (lot, new entry), and what was thinned from it."""

    stock: StockEntry
    entries: tuple[tuple[int, int], ...] = ()
    thinned: tuple[str, ...] = ()


def check_stock_changes(connection: Connection, old: StockEntry, given: dict[str, Any]) -> dict[str, Any]:
    """The changes as they are kept; InputError for what is not possible, is taken, or is so already."""
    now = {"label_g_per_100ml": old.label_strength_g_per_100ml} | pick(old, "name", "notes")
    wanted = now | given
    wanted["name"] = check_name(wanted["name"], "name of the stock")
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
        for lot_id in _open_lots_with(connection, stock.id):
            entries += relabel(connection, lot_id, stock, told, by.get("entered_by"))
    return StockCorrection(new, tuple(entries), tuple(stock.name for stock in thinned))


def _relabel_thinned(
    connection: Connection, old: StockEntry, new: StockEntry, why: str, entered_by: str | None
) -> list[StockEntry]:
    """Bring what was thinned from a stock to its new label; a label that was put right by itself is left."""
    made: list[StockEntry] = []
    children = select(t.stocks.c.id).where(t.stocks.c.diluted_from_id == old.id).order_by(t.stocks.c.id)
    for child_id in connection.scalars(children).all():
        if any(
            change.label_g_per_100ml is not None and not change.text.startswith(_THINNED)
            for change in read_stock_changes(connection, child_id)
        ):
            continue
        child = find_stock(connection, child_id)
        ratio = new.label_strength_g_per_100ml / old.label_strength_g_per_100ml
        insert(
            connection, t.stock_entries, stock_id=child_id, kind="corrected", entered_by=entered_by,
            text=f"{_THINNED}{new.name}: {why}", label_g_per_100ml=child.label_strength_g_per_100ml * ratio,
        )  # fmt: skip
        now = find_stock(connection, child_id)
        made += [now, *_relabel_thinned(connection, child, now, why, entered_by)]
    return made


def _open_lots_with(connection: Connection, stock_id: int) -> list[int]:
    used = select(t.lot_entries.c.lot_id).join(t.additions, t.additions.c.entry_id == t.lot_entries.c.id)
    query = select(t.lots.c.id).where(t.lots.c.id.in_(used.where(t.additions.c.stock_id == stock_id)))
    found = connection.scalars(query.where(is_open()).order_by(t.lots.c.id)).all()
    locked = [find_lot_id(connection, lot_id, lock=True) for lot_id in found]
    return [lot_id for lot_id in locked if not read_story(connection, lot_id).lot.closed]


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
