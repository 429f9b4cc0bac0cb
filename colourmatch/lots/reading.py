"""Turns rows of the book into the records of entries.py; it only reads and knows no rules."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, RowMapping, Select, func, select

from colourmatch.lots import tables as t
from colourmatch.lots.entries import (
    AdditionEntry,
    AmendmentEntry,
    AsideEntry,
    ClosingEntry,
    Lot,
    LotEntry,
    MovedEntry,
    NoteEntry,
    PhotoEntry,
    Reference,
    ReferenceReading,
    StockChange,
    StockEntry,
    VolumeEntry,
    mark_aside,
    mark_replaced,
    mark_times,
)

if TYPE_CHECKING:
    Query = Select[*tuple[Any, ...]]  # rows of any columns

_HEAD = ("id", "lot_id", "kind", "created_at", "entered_by", "replaces_id", "reason")
_HEAVY = {"measurement", "advice"}


def from_json(text: str | None) -> Any:
    """The value of a JSON column, None for an empty one."""
    return None if text is None else json.loads(text)


def _triple(row: RowMapping, names: Sequence[str]) -> tuple[float, float, float] | None:
    first, second, third = (row[name] for name in names)
    return None if first is None else (first, second, third)


def read_references(connection: Connection, query: Query | None = None) -> list[Reference]:
    """References by name, or those of a query on their table."""
    rows = connection.execute(
        select(t.references).order_by(t.references.c.name_key) if query is None else query
    )
    return [
        Reference(row["id"], row["name"], row["notes"], row["created_at"], row["entered_by"])
        for row in rows.mappings()
    ]


def read_reference_readings(connection: Connection, reference_id: int) -> list[ReferenceReading]:
    """Readings of one reference in the order in which they were entered."""
    table = t.reference_readings
    rows = connection.execute(select(table).where(table.c.reference_id == reference_id).order_by(table.c.id))
    return [
        ReferenceReading(
            id=row["id"],
            reference_id=row["reference_id"],
            lab=(row["lab_l"], row["lab_a"], row["lab_b"]),
            lab_sd=_triple(row, ("lab_l_sd", "lab_a_sd", "lab_b_sd")),
            depth_mm=row["depth_mm"],
            dilution=row["dilution"],
            photo_sha256=row["photo_sha256"],
            measurement=from_json(row["measurement"]),
            created_at=row["created_at"],
            entered_by=row["entered_by"],
            original_sha256=row["original_sha256"],
            stored_name=row["stored_name"],
            original_name=row["original_name"],
            taken_at=row["taken_at"],
        )
        for row in rows.mappings()
    ]


def read_stocks(connection: Connection, ids: Iterable[int] | None = None) -> list[StockEntry]:
    """Stocks as they stand now, in the order of their ids."""
    chosen = select(t.stocks).order_by(t.stocks.c.id)
    later = select(t.stock_entries).order_by(t.stock_entries.c.id)
    if ids is not None:
        wanted = list(ids)
        chosen = chosen.where(t.stocks.c.id.in_(wanted))
        later = later.where(t.stock_entries.c.stock_id.in_(wanted))
    changes: dict[int, list[RowMapping]] = defaultdict(list)
    for row in connection.execute(later).mappings():
        changes[row["stock_id"]].append(row)
    return [_stock(row, changes[row["id"]]) for row in connection.execute(chosen).mappings()]


def _stock(row: RowMapping, changes: Sequence[RowMapping]) -> StockEntry:
    now: dict[str, Any] = {
        "strength_rel_sd": row["strength_rel_sd"],
        "drop_ml": row["drop_ml"],
        "drop_rel_sd": row["drop_rel_sd"],
        "strength_factor": 1.0,
        "learnt_from_lot_id": None,
        "weighed": False,
        "active": True,
    }
    for change in changes:
        if change["kind"] == "weighed":
            now |= {"drop_ml": change["drop_ml"], "drop_rel_sd": change["drop_rel_sd"], "weighed": True}
        elif change["kind"] == "learnt":
            now |= {name: change[name] for name in ("strength_factor", "strength_rel_sd")}
            now["learnt_from_lot_id"] = change["lot_id"]
        elif change["kind"] == "reset":
            now |= {"strength_factor": 1.0, "learnt_from_lot_id": None}
            now["strength_rel_sd"] = row["strength_rel_sd"]
        elif change["kind"] == "put-away":
            now["active"] = False
    return StockEntry(
        id=row["id"],
        name=row["name"],
        colourant=row["colourant"],
        label_strength_g_per_100ml=row["strength_g_per_100ml"],
        label_strength_rel_sd=row["strength_rel_sd"],
        made_in=row["made_in"],
        density_g_per_ml=row["density_g_per_ml"],
        notes=row["notes"],
        diluted_from_id=row["diluted_from_id"],
        created_at=row["created_at"],
        changed_at=changes[-1]["created_at"] if changes else row["created_at"],
        entered_by=row["entered_by"],
        **now,
    )


def read_stock_changes(connection: Connection, stock_id: int) -> list[StockChange]:
    """Later entries of one stock in order."""
    table = t.stock_entries
    rows = connection.execute(select(table).where(table.c.stock_id == stock_id).order_by(table.c.id))
    return [
        StockChange(**{key: value for key, value in row.items() if key != "token"}) for row in rows.mappings()
    ]


def read_lots(connection: Connection, query: Query, at: str | None = None) -> list[Lot]:
    """The lots of a query on their table, in its order, with the amendments made up to a time in place."""
    rows = connection.execute(query).mappings().all()
    ids = [row["id"] for row in rows]
    names: dict[int, list[str]] = defaultdict(list)
    stocks = (
        select(t.lot_stocks.c.lot_id, t.stocks.c.name)
        .join(t.stocks, t.stocks.c.id == t.lot_stocks.c.stock_id)
        .where(t.lot_stocks.c.lot_id.in_(ids))
        .order_by(t.lot_stocks.c.lot_id, t.lot_stocks.c.position)
    )
    for lot_id, name in connection.execute(stocks):
        names[lot_id].append(name)
    kinds = ("amendment", "closing")
    later = (
        select(t.lot_entries.c.lot_id, t.lot_entries.c.kind, t.amendments.c.changes)
        .outerjoin(t.amendments, t.amendments.c.entry_id == t.lot_entries.c.id)
        .where(t.lot_entries.c.lot_id.in_(ids), t.lot_entries.c.kind.in_(kinds))
        .order_by(t.lot_entries.c.id)
    )
    if at is not None:
        later = later.where(t.lot_entries.c.created_at <= at)
    changes: dict[int, dict[str, Any]] = defaultdict(dict)
    for lot_id, kind, text in connection.execute(later):
        changes[lot_id] |= {"closed": True} if kind == "closing" else from_json(text)
    return [_lot(row, names[row["id"]], changes[row["id"]]) for row in rows]


def _lot(row: RowMapping, stocks: Sequence[str], changes: dict[str, Any]) -> Lot:
    left_out = {"name_key", "token", "target_l", "target_a", "target_b", "serving"}
    values = {key: value for key, value in row.items() if key not in left_out}
    values["target_lab"] = _triple(row, ("target_l", "target_a", "target_b"))
    values["serving"] = from_json(row["serving"])
    values["stocks"] = stocks
    values |= changes
    values["stocks"] = tuple(values["stocks"])
    if values["target_lab"] is not None:
        values["target_lab"] = tuple(values["target_lab"])
    return Lot(**values)


def read_events(
    connection: Connection, lot_ids: Sequence[int], *, at: str | None = None, heavy: bool = True
) -> dict[int, list[LotEntry]]:
    """Entries of some lots in order, each naming its replacement; `heavy`: measurements too."""
    events: dict[int, list[LotEntry]] = {lot_id: [] for lot_id in lot_ids}
    head = [t.lot_entries.c[name] for name in _HEAD]
    for part in dict.fromkeys(t.PARTS.values()):
        body = [
            column
            for column in part.c
            if column.name not in ("entry_id", "lot_id") and (heavy or column.name not in _HEAVY)
        ]
        query = select(*head, *body).join(part, part.c.entry_id == t.lot_entries.c.id)
        if part is t.additions:
            stock = [t.stocks.c.name.label("stock"), t.stocks.c.colourant, t.stocks.c.made_in]
            query = query.join(t.stocks, t.stocks.c.id == part.c.stock_id).add_columns(*stock)
        query = query.where(t.lot_entries.c.lot_id.in_(lot_ids))
        if at is not None:
            query = query.where(t.lot_entries.c.created_at <= at)
        for row in connection.execute(query).mappings():
            events[row["lot_id"]].append(_entry(row))
    return {
        lot_id: mark_times(mark_aside(mark_replaced(sorted(found, key=lambda e: e.id))))
        for lot_id, found in events.items()
    }


_CLASSES: dict[str, type[LotEntry]] = {
    "addition": AdditionEntry,
    "sample": VolumeEntry,
    "untinted": VolumeEntry,
    "poured-back": VolumeEntry,
    "photo": PhotoEntry,
    "note": NoteEntry,
    "closing": ClosingEntry,
    "amendment": AmendmentEntry,
    "set-aside": AsideEntry,
    "moved": MovedEntry,
}


def _entry(row: RowMapping) -> LotEntry:
    values = dict(row) | {"replaced_by_id": None}
    for name in ("measurement", "advice", "final", "changes"):
        if name in values:
            values[name] = from_json(values[name])
    return _CLASSES[values["kind"]](**values)


def read_entry(connection: Connection, entry_id: int) -> LotEntry | None:
    """One entry of any lot, None when there is none of that id."""
    if not 0 < entry_id < 2**31:  # a server's ids have 32 bits and it complains about more
        return None
    lot_id = connection.scalar(select(t.lot_entries.c.lot_id).where(t.lot_entries.c.id == entry_id))
    if lot_id is None:
        return None
    return next(entry for entry in read_events(connection, [lot_id])[lot_id] if entry.id == entry_id)


def is_open(lots: Any = t.lots) -> Any:
    """SQL: the lot has no closing entry."""
    return ~select(t.closings.c.entry_id).where(t.closings.c.lot_id == lots.c.id).exists()


def count(connection: Connection, query: Query) -> int:
    """How many rows a query has."""
    return int(connection.scalar(select(func.count()).select_from(query.subquery())) or 0)
