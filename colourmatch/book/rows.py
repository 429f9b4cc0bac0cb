"""Turns rows of the book into the records of entries.py and shelf_records.py; it only reads and knows no rules."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeAlias, TypeVar

from sqlalchemy import Connection, RowMapping, Select, func, select, true, union_all

from colourmatch.book import entries as e
from colourmatch.book import tables as t
from colourmatch.book.shelf_records import Reference, ReferenceReading, StockEntry
from colourmatch.records import names_of

#: Rows of any columns.
Query: TypeAlias = "Select[*tuple[Any, ...]]"

_HEAD = ("id", "lot_id", "kind", "created_at", "entered_by", "replaces_id", "reason")
_HEAVY = {"measurement", "advice"}
_JSON = {"measurement", "advice", "final", "changes", "serving", "data", "details"}
_ADVICE = {"advice", "final"}
#: A colour in a record -> its columns.
_COLOURS = {
    "target_lab": ("target_l", "target_a", "target_b"),
    "lab": ("lab_l", "lab_a", "lab_b"),
    "lab_sd": ("lab_l_sd", "lab_a_sd", "lab_b_sd"),
}
R = TypeVar("R")


def from_json(text: str | None) -> Any:
    """The value of a JSON column, None for an empty one."""
    return None if text is None else json.loads(text)


def pick_fields(row: RowMapping, record: type[Any]) -> dict[str, Any]:
    """What a row has for the fields of a record, by name: JSON as values, the three columns of a colour together."""
    found: dict[str, Any] = {}
    held = dict(row)
    for name in names_of(record):
        if name in _COLOURS:
            parts = tuple(held[column] for column in _COLOURS[name])
            found[name] = None if parts[0] is None else parts
        elif name in held:
            found[name] = from_json(held[name]) if name in _JSON else held[name]
    if found.get("measurement") is not None:
        from colourmatch.measurement import Measurement  # lists of lots do not wait for it

        found["measurement"] = Measurement.from_json(found["measurement"])
    for name in _ADVICE & found.keys():
        if found[name] is not None:
            from colourmatch.advice import Advice

            found[name] = Advice.from_json(found[name])
    return found


def in_columns(name: str, colour: Sequence[float] | None) -> dict[str, float | None]:
    """A colour of a record in its columns."""
    return dict(zip(_COLOURS[name], colour or (None, None, None), strict=True))


def read_records(connection: Connection, query: Query, record: type[R]) -> list[R]:
    """The rows of a query as records of one kind."""
    return [record(**pick_fields(row, record)) for row in connection.execute(query).mappings()]


def read_references(connection: Connection, query: Query | None = None) -> list[Reference]:
    """References by name, or those of a query on their table."""
    by_name = select(t.references).order_by(t.references.c.name_key)
    return read_records(connection, by_name if query is None else query, Reference)


def read_reference_readings(connection: Connection, reference_id: int) -> list[ReferenceReading]:
    """Readings of one reference in the order in which they were entered."""
    table = t.reference_readings
    query = select(table).where(table.c.reference_id == reference_id).order_by(table.c.id)
    return read_records(connection, query, ReferenceReading)


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


def read_taught(connection: Connection, stock_id: int, lot_id: int) -> StockEntry | None:
    """A stock as a lot left it when it taught its strength, by the label of now; None where no closing of it that stands did."""
    later = select(t.stock_entries).where(t.stock_entries.c.stock_id == stock_id).order_by(t.stock_entries.c.id)
    changes = connection.execute(later).mappings().all()
    of_lot = [change for change in changes if change["lot_id"] == lot_id]
    undone = max((change["id"] for change in of_lot if change["kind"] == "unlearnt"), default=0)
    taught = [one["id"] for one in of_lot if one["kind"] == "learnt" and one["id"] > undone]
    if not taught:
        return None
    until = [one for one in changes if one["id"] <= taught[0] or one["kind"] == "corrected"]
    return _stock(connection.execute(select(t.stocks).where(t.stocks.c.id == stock_id)).mappings().one(), until)


def _stock(row: RowMapping, changes: Sequence[RowMapping]) -> StockEntry:
    taken_back = {change["lot_id"]: change["id"] for change in changes if change["kind"] == "unlearnt"}
    told: list[str] = []
    now: dict[str, Any] = {
        **pick_fields(row, StockEntry),
        "label_strength_g_per_100ml": row["strength_g_per_100ml"],
        "label_strength_rel_sd": row["strength_rel_sd"],
        "strength_factor": 1.0,
        "learnt_from_lot_id": None,
        "weighed": False,
        "active": True,
        **(from_json(row["details"]) or {}),
    }
    for change in changes:
        if change["kind"] == "weighed":
            now |= {"drop_ml": change["drop_ml"], "drop_rel_sd": change["drop_rel_sd"], "weighed": True}
        elif change["kind"] == "learnt" and change["id"] > taken_back.get(change["lot_id"], 0):
            now |= {name: change[name] for name in ("strength_factor", "strength_rel_sd")}
            now |= {"learnt_from_lot_id": change["lot_id"]} | (from_json(change["details"]) or {})
        elif change["kind"] == "reset":
            now |= {"strength_factor": 1.0, "learnt_from_lot_id": None, "shift_nm": 0.0, "shift_sd_nm": None}
            now["strength_rel_sd"] = row["strength_rel_sd"]
        elif change["kind"] == "put-away":
            now["active"] = False
        elif change["kind"] == "corrected":
            told.append(_put_right(now, change))
    return StockEntry(
        changed_at=changes[-1]["created_at"] if changes else row["created_at"], corrected=tuple(told), **now
    )


def _put_right(now: dict[str, Any], change: RowMapping) -> str:
    """Bring a stock up to a correction, in words too; the true strength that photos taught stays."""
    said = []
    if (label := change["label_g_per_100ml"]) is not None:
        before = now["label_strength_g_per_100ml"]
        if now["strength_factor"] != 1 or now["learnt_from_lot_id"] is not None:
            now["strength_factor"] *= before / label
        now["label_strength_g_per_100ml"] = label
        said.append(f"label {before:.6g} g in 100 ml, now {label:.6g}")
    for key, words in (("name", "name"), ("notes", "note")):
        if change[key] is not None:
            said.append(f"{words} {now[key]!r}, now {change[key]!r}")
            now[key] = change[key]
    for key, value in (from_json(change["details"]) or {}).items():
        before = now.get(key)
        said.append(f"{key.replace('_', ' ')} {'not said' if before is None else before}, now {value}")
        now[key] = value
    return f"{', '.join(said)} ({change['text']})"


def read_names(connection: Connection) -> dict[int, list[tuple[str, str]]]:
    """What each stock was called and since when; last what it is called now."""
    later = t.stock_entries.c
    names: dict[int, list[tuple[str, str]]] = defaultdict(list)
    for query in (
        select(t.stocks.c.id, t.stocks.c.created_at, t.stocks.c.name),
        select(later.stock_id, later.created_at, later.name).where(later.name.is_not(None)).order_by(later.id),
    ):
        for stock_id, since, name in connection.execute(query):
            names[stock_id].append((since, name))
    return names


def _name_now(names: Mapping[int, list[tuple[str, str]]], name: str, at: str) -> str:
    """What the stock is called now that had a name at a time; of two of one name the newer, as one looks them up."""
    for _, called in sorted(names.items(), reverse=True):
        then = [known for since, known in called if since <= at]
        if then and then[-1] == name:
            return called[-1][1]
    return name


def read_lots(connection: Connection, query: Query, at: str | None = None) -> list[e.Lot]:
    """The lots of a query on their table, in its order, with the amendments made up to a time in place."""
    rows = connection.execute(query).mappings().all()
    ids = [row["id"] for row in rows]
    stocks: dict[int, list[str]] = defaultdict(list)
    names, place = read_names(connection), t.lot_stocks.c
    begun_with = select(place.lot_id, place.stock_id).where(place.lot_id.in_(ids)).order_by(place.position)
    for lot_id, stock_id in connection.execute(begun_with):
        stocks[lot_id] += (name for _, name in names[stock_id][-1:])
    kinds = ("amendment", "closing", "reopening")
    head = t.lot_entries.c
    later = (
        select(head.lot_id, head.kind, head.created_at, t.amendments.c.changes)
        .outerjoin(t.amendments, t.amendments.c.entry_id == t.lot_entries.c.id)
        .where(t.lot_entries.c.lot_id.in_(ids), t.lot_entries.c.kind.in_(kinds))
        .order_by(t.lot_entries.c.id)
    )
    if at is not None:
        later = later.where(t.lot_entries.c.created_at <= at)
    changes: dict[int, dict[str, Any]] = defaultdict(dict)
    for lot_id, kind, since, text in connection.execute(later):
        told = from_json(text) if kind == "amendment" else {"closed": kind == "closing"}
        if "stocks" in told:
            told["stocks"] = [_name_now(names, name, since) for name in told["stocks"]]
        changes[lot_id] |= told
    lots = []
    for row in rows:
        values = pick_fields(row, e.Lot) | {"stocks": stocks[row["id"]]}
        values |= (from_json(row["details"]) or {}) | changes[row["id"]]
        target = values["target_lab"]
        lots.append(e.Lot(**values | {"stocks": tuple(values["stocks"]), "target_lab": target and tuple(target)}))
    return lots


def read_lot(connection: Connection, lot_id: int) -> e.Lot:
    """One lot that is there, with its amendments in place."""
    return read_lots(connection, select(t.lots).where(t.lots.c.id == lot_id))[0]


def read_events(
    connection: Connection, lot_ids: Sequence[int], *, at: str | None = None, heavy: bool = True
) -> dict[int, list[e.LotEntry]]:
    """Entries of some lots in order, each naming its replacement; `heavy`: measurements too."""
    events: dict[int, list[e.LotEntry]] = {lot_id: [] for lot_id in lot_ids}
    head = [t.lot_entries.c[name] for name in _HEAD]
    for part in dict.fromkeys(t.PARTS.values()):
        body = [
            column
            for column in part.c
            if column.name not in ("entry_id", "lot_id") and (heavy or column.name not in _HEAVY)
        ]
        query = select(*head, *body).join(part, part.c.entry_id == t.lot_entries.c.id)
        if part is t.additions:
            query = query.join(t.stocks, t.stocks.c.id == part.c.stock_id)
            query = query.add_columns(t.stocks.c.colourant, t.stocks.c.made_in)
        query = query.where(t.lot_entries.c.lot_id.in_(lot_ids))
        if at is not None:
            query = query.where(t.lot_entries.c.created_at <= at)
        found = connection.execute(query).mappings().all()
        # after the rows: another station may add a stock in between
        names = read_names(connection) if part is t.additions else {}
        for row in found:
            if (record := _CLASSES.get(row["kind"])) is None:
                raise json.JSONDecodeError("damaged", str(row["kind"]), 0)
            values = pick_fields(row, record)
            if part is t.additions:
                values["stock"] = names[values["stock_id"]][-1][1]
            events[row["lot_id"]].append(record(**values))
    return {lot_id: e.mark(sorted(found, key=lambda entry: entry.id)) for lot_id, found in events.items()}


_CLASSES: dict[str, type[e.LotEntry]] = {
    "addition": e.AdditionEntry,
    "sample": e.VolumeEntry,
    "untinted": e.VolumeEntry,
    "poured-back": e.VolumeEntry,
    "photo": e.PhotoEntry,
    "note": e.NoteEntry,
    "closing": e.ClosingEntry,
    "amendment": e.AmendmentEntry,
    "answer": e.AnswerEntry,
    "set-aside": e.AsideEntry,
    "moved": e.MovedEntry,
    "reopening": e.ReopeningEntry,
}


def read_entry(connection: Connection, entry_id: int) -> e.LotEntry | None:
    """One entry of any lot, None when there is none of that id."""
    if not 0 < entry_id < 2**31:  # a server's ids have 32 bits and it complains about more
        return None
    lot_id = connection.scalar(select(t.lot_entries.c.lot_id).where(t.lot_entries.c.id == entry_id))
    if lot_id is None:
        return None
    return next(entry for entry in read_events(connection, [lot_id])[lot_id] if entry.id == entry_id)


def read_stories(connection: Connection, lot_ids: Sequence[int], at: str | None = None) -> list[e.LotStory]:
    """Lots with all their entries up to a time, in the order of the ids, and the stocks that they were begun with or got."""
    wanted = list(lot_ids)
    lots = {lot.id: lot for lot in read_lots(connection, select(t.lots).where(t.lots.c.id.in_(wanted)), at)}
    events = read_events(connection, wanted, at=at)
    used: dict[int, set[int]] = {  # declared or not
        lot_id: {entry.stock_id for entry in found if isinstance(entry, e.AdditionEntry)}
        for lot_id, found in events.items()
    }
    place = t.lot_stocks.c
    declared = select(place.lot_id, place.stock_id).where(place.lot_id.in_(wanted))
    for lot_id, stock_id in connection.execute(declared):
        used[lot_id].add(stock_id)
    stocks = read_stocks(connection, set().union(*used.values()))
    return [
        e.LotStory(lots[lot_id], tuple(events[lot_id]), tuple(stock for stock in stocks if stock.id in used[lot_id]))
        for lot_id in wanted
    ]


def iterate_stories(connection: Connection, heavy: bool = False, only: Any = None) -> Iterator[e.LotStory]:
    """All lots, or those of an SQL condition, with their entries, measurements read only with `heavy`, in the order of their ids."""
    last = 0
    chosen = select(t.lots).where(true() if only is None else only).order_by(t.lots.c.id).limit(200)
    while lots := read_lots(connection, chosen.where(t.lots.c.id > last)):
        events = read_events(connection, [lot.id for lot in lots], heavy=heavy)
        for lot in lots:
            yield e.LotStory(lot, tuple(events[lot.id]))
        last = lots[-1].id


def read_story(connection: Connection, lot_id: int, at: str | None = None) -> e.LotStory:
    """One lot that is there, as in `read_stories`."""
    return read_stories(connection, [lot_id], at)[0]


def may_contradict() -> Any:
    """SQL: the lot's entries may contradict each other, as what was taken out or poured in and times put right; doses cannot."""
    head = t.lot_entries.c
    parts = (select(part.c.entry_id) for part in (t.volumes, t.moves))
    return t.lots.c.id.in_(select(head.lot_id).where(head.id.in_(union_all(*parts))))


def is_open() -> Any:
    """SQL: the lot has no closing entry that stands."""
    return ~select(t.closings.c.entry_id).where(t.closings.c.lot_id == t.lots.c.id, still_closed()).exists()


def still_closed() -> Any:
    """SQL: the lot was not opened again after this row of closings."""
    undone = t.reopenings.c.closing_entry_id == t.closings.c.entry_id
    return ~select(t.reopenings.c.entry_id).where(undone).correlate(t.closings).exists()


def count(connection: Connection, query: Query) -> int:
    """How many rows a query has."""
    return int(connection.scalar(select(func.count()).select_from(query.subquery())) or 0)
