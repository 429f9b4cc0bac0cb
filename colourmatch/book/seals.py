"""Hashes by which changes inside the book are found: an entry's holds that of the one before it in its lot.
Hashed are the columns that hold something (one added later changes no hash), for a long text its own hash
(packing.py), in older hashes the text itself. It knows rows and no rules."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Collection, Iterator
from typing import Any, NamedTuple

from sqlalchemy import Boolean, Connection, func, select, text

from colourmatch.book import tables as t
from colourmatch.book.packing import PackedText, hash_packed, unpack

#: What is written outside lots.
_ALONE = ("references", "reference_readings", "stocks", "stock_entries", "calibrations")
_LOTS_AT_ONCE, _ROWS_AT_ONCE = 100, 1000
#: How hashes are made now.
WAY = 2
#: A table's columns of long texts, and those of a yes or no, which two databases give in two ways.
_PACKED, _YES_OR_NO = (
    {table.name: [column.name for column in table.c if isinstance(column.type, kind)] for table in t.HISTORY}
    for kind in (PackedText, Boolean)
)
_write = json.JSONEncoder(sort_keys=True, separators=(",", ":")).encode
Row = dict[str, Any]
#: A table and the id of a row in it.
Place = tuple[str, int]
#: A row with what belongs to it, each with its table.
Content = list[tuple[str, Row]]


class Altered(NamedTuple):
    """A row that is not what its hash says, or has none; of a lot the first of its chain."""

    table: str
    row_id: int
    lot_id: int | None


def note_new(connection: Connection, table: str, row_id: int) -> None:
    """Remember a row that was added in this transaction."""
    connection.get_execution_options()["unsealed"].append((table, row_id))


def seal_new(connection: Connection) -> None:
    """Give the rows that were added in this transaction their hashes, when all that belongs to them is there."""
    new = connection.get_execution_options()["unsealed"]
    entries = [row_id for table, row_id in new if table == "lot_entries"]
    lots = [row_id for table, row_id in new if table == "lots"]
    if entries:
        lots += connection.scalars(select(t.lot_entries.c.lot_id).where(t.lot_entries.c.id.in_(entries)))
    for lot_id in dict.fromkeys(lots):
        _seal_lots(connection, lot_id, lot_id, set(new))
    for table, row_id in new:
        if table in _ALONE:
            _seal_alone(connection, table, row_id, row_id)


def seal_missing(connection: Connection, way: int | None = WAY) -> None:
    """Give every row that has no hash yet its own, as in a book from before there were any; way: None for the first one."""
    last = connection.execute(text("SELECT max(id) FROM lots")).scalar() or 0
    for first in range(1, last + 1, _LOTS_AT_ONCE):
        _seal_lots(connection, first, first + _LOTS_AT_ONCE - 1, way=way)
    for table in _ALONE:
        last = connection.execute(text(f'SELECT max(id) FROM "{table}"')).scalar() or 0
        for first in range(1, last + 1, _ROWS_AT_ONCE):
            _seal_alone(connection, table, first, first + _ROWS_AT_ONCE - 1, way)


def last_hash(connection: Connection, lot_id: int) -> str:
    """The newest hash of a lot, which stands for all of it; empty where there is none."""
    query = select(t.seals.c.sha256).where(t.seals.c.lot_id == lot_id).order_by(t.seals.c.number.desc())
    return str(connection.scalar(query.limit(1)) or "")


def find_hash(connection: Connection, sha256: str) -> tuple[int, int | None] | None:
    """The lot and the entry up to which a hash, as a sheet prints it, stands for; no entry: the lot's head alone."""
    is_it = t.seals.c.sha256 == sha256.strip().lower()
    found = connection.execute(select(t.seals).where(is_it, t.seals.c.lot_id.is_not(None))).first()
    return found and (found.lot_id, found.row_id if found.of_table == "lot_entries" else None)


def find_altered(connection: Connection) -> Iterator[Altered]:
    """Every lot from where on its chain does not hold, and every other row that is not what its hash says."""
    ids = (t.lots.c.id, t.seals.c.lot_id, t.lot_entries.c.lot_id)
    last = max(connection.scalar(select(func.max(column))) or 0 for column in ids)
    for first in range(1, last + 1, _LOTS_AT_ONCE):
        yield from _find_in_lots(connection, first, first + _LOTS_AT_ONCE - 1)
    for table in _ALONE:
        yield from _find_alone(connection, table)


def _find_in_lots(connection: Connection, first: int, last: int) -> Iterator[Altered]:
    contents = _read_lots(connection, first, last)
    sealed: dict[int, list[Any]] = defaultdict(list)
    seal = t.seals.c
    query = select(seal.lot_id, seal.of_table, seal.row_id, seal.number, seal.sha256, seal.way)
    query = query.where(seal.lot_id.between(first, last)).order_by(seal.lot_id, seal.number)
    for lot_id, *rest in connection.execute(query):
        sealed[lot_id].append(rest)
    for lot_id in sorted({*contents, *sealed}):
        rows, before = contents.get(lot_id, {}), ""
        for number, (table, row_id, told_number, sha256, way) in enumerate(sealed[lot_id]):
            place = (table, row_id)
            content = rows.pop(place, None)
            before = _hash_if_read(before, content, way) if content else ""
            if told_number != number or before != sha256:
                yield Altered(*place, lot_id)
                break
        else:
            if rows:
                yield Altered(*next(iter(rows)), lot_id)


def _find_alone(connection: Connection, table: str) -> Iterator[Altered]:
    query = select(t.seals.c.row_id, t.seals.c.sha256, t.seals.c.way).where(t.seals.c.of_table == table)
    sealed = {row.row_id: row for row in connection.execute(query)}
    for row in connection.execute(text(f'SELECT * FROM "{table}" ORDER BY id')).mappings():
        seal = sealed.pop(row["id"], None)
        if seal is None or seal.sha256 != _hash_if_read("", [(table, dict(row))], seal.way):
            yield Altered(table, row["id"], None)
    for row_id in sorted(sealed):
        yield Altered(table, row_id, None)


def _seal_lots(
    connection: Connection, first: int, last: int, only: set[Place] | None = None, way: int | None = WAY
) -> None:
    """Go on with the chains of some lots by the rows that are in none yet, or by `only` these of them."""
    query = select(t.seals.c.of_table, t.seals.c.row_id).where(t.seals.c.lot_id.between(first, last))
    known = {(row.of_table, row.row_id) for row in connection.execute(query)}
    new = []
    for lot_id, rows in _read_lots(connection, first, last, known).items():
        before = last_hash(connection, lot_id)
        number = connection.scalar(select(func.count()).where(t.seals.c.lot_id == lot_id)) or 0
        for (table, row_id), content in rows.items():
            if only is not None and (table, row_id) not in only:
                continue
            before = _hash(before, content, way)
            new.append(_seal(table, row_id, before, way) | {"lot_id": lot_id, "number": number})
            number += 1
    if new:
        connection.execute(t.seals.insert(), new)


def _seal(table: str, row_id: int, sha256: str, way: int | None) -> dict[str, Any]:
    seal = {"of_table": table, "row_id": row_id, "sha256": sha256}
    return seal if way is None else seal | {"way": way}  # a book that is migrated has no such column yet


def _seal_alone(connection: Connection, table: str, first: int, last: int, way: int | None = WAY) -> None:
    seal = t.seals.c
    query = select(seal.row_id).where(seal.of_table == table, seal.row_id.between(first, last))
    known = set(connection.scalars(query))
    rows = text(f'SELECT * FROM "{table}" WHERE id BETWEEN :first AND :last ORDER BY id')
    new = [
        _seal(table, row["id"], _hash("", [(table, dict(row))], way), way)
        for row in connection.execute(rows, {"first": first, "last": last}).mappings()
        if row["id"] not in known
    ]
    if new:
        connection.execute(t.seals.insert(), new)


def _read_lots(
    connection: Connection, first: int, last: int, skipped: Collection[Place] = ()
) -> dict[int, dict[Place, Content]]:
    """What is hashed of some lots: by lot, by row in the order in which the rows were added; without those skipped."""
    span, found = {"first": first, "last": last}, defaultdict[int, dict[Place, Content]](dict)

    def read(query: str) -> Iterator[Row]:
        rows = connection.execute(text(query), span)
        names = list(rows.keys())
        return (dict(zip(names, row, strict=True)) for row in rows)

    for row in read("SELECT * FROM lots WHERE id BETWEEN :first AND :last ORDER BY id"):
        if ("lots", row["id"]) not in skipped:
            found[row["id"]]["lots", row["id"]] = [("lots", row)]
    places = "SELECT * FROM lot_stocks WHERE lot_id BETWEEN :first AND :last ORDER BY lot_id, position"
    for row in read(places):
        if ("lots", row["lot_id"]) in found[row["lot_id"]]:
            found[row["lot_id"]]["lots", row["lot_id"]].append(("lot_stocks", row))
    done = (row_id for table, row_id in skipped if table == "lot_entries") if first == last else ()
    entries = f"FROM lot_entries WHERE lot_id BETWEEN :first AND :last AND id > {max(done, default=0)}"
    heads: dict[int, Content] = {}
    for row in read(f"SELECT * {entries} ORDER BY id"):
        if ("lot_entries", row["id"]) not in skipped:
            heads[row["id"]] = found[row["lot_id"]]["lot_entries", row["id"]] = [("lot_entries", row)]
    kinds = {head[0][1]["kind"] for head in heads.values()}
    for part in sorted({t.PARTS[kind].name for kind in kinds & t.PARTS.keys()}):
        for row in read(f"SELECT * FROM {part} WHERE entry_id IN (SELECT id {entries}) ORDER BY entry_id"):
            if row["entry_id"] in heads:
                heads[row["entry_id"]].append((part, row))
    return {lot_id: rows for lot_id, rows in found.items() if rows}


def _hash(before: str, content: Content, way: int | None) -> str:
    rows = [[table, _say(table, row, way)] for table, row in content]
    said = [before, rows] if way is None else [way, before, rows]
    return hashlib.sha256(_write(said).encode()).hexdigest()


def _hash_if_read(before: str, content: Content, way: int | None) -> str:
    """The hash, empty where a text is damaged so that it cannot be read."""
    try:
        return _hash(before, content, way)
    except json.JSONDecodeError:
        return ""


def _say(table: str, row: Row, way: int | None) -> Row:
    """What of a row is hashed; two libraries may pack a text differently."""
    said = {key: value for key, value in row.items() if value is not None}
    for key in _PACKED[table]:
        if key in said:
            said[key] = unpack(said[key]) if way is None else hash_packed(said[key])
    for key in _YES_OR_NO[table]:
        if key in said:
            said[key] = int(said[key])
    return said
