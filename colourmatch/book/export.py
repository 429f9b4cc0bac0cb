"""Writes the book out in bounded memory: as JSON, which an empty book reads in again, and as CSV.
The JSON is one document with one row a line: any JSON reader takes it, this one reads it by lines.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable, Iterator
from contextlib import suppress
from datetime import UTC, datetime
from itertools import groupby, islice
from operator import itemgetter
from typing import Any, TextIO

from sqlalchemy import Boolean, Column, Connection, Float, Integer, Table, func, select

from colourmatch.book import entries as e
from colourmatch.book import tables as t
from colourmatch.book.checks import check_one_of, utc_text
from colourmatch.book.rows import iterate_stories, read_reference_readings, read_references, read_stocks
from colourmatch.book.seals import seal_missing
from colourmatch.errors import BookError, ColourMatchError, InputError
from colourmatch.words.figures import tell_typed

FORMAT = "colourmatch-book"
_BATCH = 200


def export_json(connection: Connection, stream: TextIO) -> int:
    """Write the whole book as JSON, one row a line, in bounded memory; the number of rows."""
    head = {"format": FORMAT, "version": t.VERSION, "made_at": utc_text()}
    stream.write(json.dumps(head)[:-1] + ', "rows": [\n')
    count = 0
    for table in t.HISTORY:
        query = select(table).order_by(*table.primary_key.columns)
        for row in connection.execution_options(yield_per=_BATCH).execute(query).mappings():
            stream.write(("," if count else "") + json.dumps([table.name, dict(row)]) + "\n")
            count += 1
    stream.write(f'], "row_count": {count}}}\n')
    return count


def import_json(connection: Connection, stream: TextIO) -> int:
    """Read an export into an empty book, ids and times as they were; the number of rows.

    BookError when the book is not empty; InputError when the file is no export, cut off, or newer.
    """
    for table in t.HISTORY:
        if connection.execute(select(*table.primary_key.columns).limit(1)).first() is not None:
            raise BookError("The lot book is not empty. Give a new path with --book to read the export into.")
    by_name = {table.name: table for table in t.HISTORY}
    count = 0
    for name, rows in groupby(_read_rows(stream), itemgetter(0)):
        known = by_name.get(name) if isinstance(name, str) else None
        if known is None:
            raise InputError(f"The export holds a table {name!r} that is not known here. Update colourmatch.")
        while pending := [_check_row(known, row) for _, row in islice(rows, _BATCH)]:
            connection.execute(known.insert(), pending)
            count += len(pending)
    _read_all(connection)
    _restart_ids(connection)
    seal_missing(connection)
    return count


def _read_all(connection: Connection) -> None:
    """InputError when what was read in is no book that can be read again; what does not add up is left to the check."""
    try:
        read_stocks(connection)
        for reference in read_references(connection):
            read_reference_readings(connection, reference.id)
        for story in iterate_stories(connection, heavy=True):
            for entry in story.events:
                datetime.fromisoformat(entry.happened_at)
            with suppress(ColourMatchError):
                story.state()
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, ArithmeticError, RecursionError):
        raise InputError(CUT_OFF) from None


def _restart_ids(connection: Connection) -> None:
    """A server counts ids apart from the rows; SQLite looks at the rows."""
    if connection.dialect.name != "postgresql":
        return
    for table in t.HISTORY:
        if "id" in table.c and (highest := connection.scalar(select(func.max(table.c.id)))):
            sequence = func.pg_get_serial_sequence(f'"{table.name}"', "id")
            connection.execute(select(func.setval(sequence, highest)))


_NO_EXPORT = "That file is no export of a lot book. Give the file that `colourmatch lot export` wrote."
CUT_OFF = "The export is cut off or was changed. Export it again, or take the last backup."


def _read_rows(stream: TextIO) -> Iterator[tuple[Any, Any]]:
    """The rows of an export, each with the name of its table; InputError for another file, or one that is cut off."""
    try:
        for row in _read_lines(stream):
            if not isinstance(row, list) or len(row) != 2:
                raise InputError(CUT_OFF)
            yield row[0], row[1]
    except UnicodeDecodeError:
        raise InputError(_NO_EXPORT) from None


def _read_lines(stream: TextIO) -> Iterator[Any]:
    first = stream.readline()
    try:
        head = json.loads(first.rstrip() + "]}")
        by_line = isinstance(head, dict) and "rows" in head
    except ValueError:
        head, by_line = _load(first + stream.read()), False
    if not isinstance(head, dict) or head.get("format") != FORMAT:
        raise InputError(_NO_EXPORT)
    if str(head.get("version")) > t.VERSION:
        raise InputError(f"The export is of version {head.get('version')}. Update colourmatch to read it.")
    if not by_line:
        rows = head.get("rows")
        if not isinstance(rows, list) or len(rows) != head.get("row_count"):
            raise InputError(CUT_OFF)
        yield from rows
        return
    for count, line in enumerate(stream):
        if line.startswith("]"):
            if _load('{"rows": [' + line).get("row_count") != count:
                break
            return
        yield _load(line.lstrip(","))
    raise InputError(CUT_OFF)


def _load(text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        raise InputError(CUT_OFF if FORMAT in text or text[:1] in "[]" else _NO_EXPORT) from None


def _check_row(table: Table, row: Any) -> dict[str, Any]:
    """The row when it has the columns of its table with values of their kind."""
    if not isinstance(row, dict) or set(row) - set(table.c.keys()):
        raise InputError(f"A row of {table.name} in the export has columns that are not known here. {CUT_OFF}")
    # what a row of an older export stands for, where it has not got the column yet
    whole = {column.name: row.get(column.name, getattr(column.default, "arg", None)) for column in table.c}
    for column in table.c:
        if not _fits(column, whole[column.name]):
            raise InputError(f"{column} in the export is {whole[column.name]!r}, which cannot be. {CUT_OFF}")
    return whole


def _fits(column: Column[Any], value: Any) -> bool:
    if value is None:
        return bool(column.nullable)
    if isinstance(column.type, Boolean):
        return isinstance(value, bool)
    if isinstance(column.type, Integer):
        return isinstance(value, int) and not isinstance(value, bool) and abs(value) < 2**31
    if isinstance(column.type, Float):
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        return number and (math.isfinite(value) if isinstance(value, float) else abs(value) < 2**53)
    return isinstance(value, str) and (column.name != "created_at" or _is_moment(value))


def _is_moment(text: str) -> bool:
    with suppress(ValueError, OverflowError):
        return bool(datetime.fromisoformat(text).astimezone(UTC))
    return False


#: By all photos together, where "delta_e_2000" is the last one's.
_CLOSING = ("closing_delta_e_2000", "closing_delta_e_2000_low", "closing_delta_e_2000_high")
LOT_COLUMNS = (
    "lot_id", "lot_number", "lot_name", "created_at_utc", "entered_by", "volume_start_ml", "volume_now_ml",
    "depth_mm", "dilution", "tolerance_delta_e_2000", "ceiling_mg_per_l", "already_mg_per_l", "jurisdiction",
    "stocks", "additions", "added_ml", "added_mg", "dose", "colour_mg_per_l", "photos", "delta_e_2000",
    "delta_e_2000_low", "delta_e_2000_high", "outcome", "closed_at_utc", "closing_text", "notes",
    "already_colourant", "trial_of_lot_id", "lot_label", *_CLOSING,
)  # fmt: skip
ENTRY_COLUMNS = (
    "entry_id", "lot_id", "lot_name", "created_at_utc", "entered_by", "kind", "counts", "replaces_entry_id",
    "reason", "stock", "quantity", "unit", "ml", "mg", "returned", "photo_file", "photo_purpose",
    "delta_e_2000", "delta_e_2000_low", "delta_e_2000_high", "outcome", "text",
    "happened_at_utc", "about_entry_id", "lot_label",
)  # fmt: skip


#: A column -> what it is called in the records, where otherwise.
_CALLED = {
    "lot_id": "id", "lot_number": "number", "lot_name": "name", "lot_label": "label", "created_at_utc": "created_at",
    "volume_start_ml": "volume_ml", "tolerance_delta_e_2000": "tolerance", "trial_of_lot_id": "trial_of",
    "entry_id": "id", "replaces_entry_id": "replaces_id", "photo_file": "stored_name", "photo_purpose": "purpose",
    "happened_at_utc": "happened_at",
}  # fmt: skip


def _take(record: Any, columns: Iterable[str]) -> dict[str, Any]:
    """What a record has for some columns, None where nothing."""
    return {column: getattr(record, _CALLED.get(column, column), None) for column in columns}


def export_csv(connection: Connection, stream: TextIO, rows: str = "lots") -> int:
    """Write a table for spreadsheets to a stream with newline="": rows of "lots" or of "entries"; the number of rows."""
    kinds = {"lots": (LOT_COLUMNS, _lot_rows), "entries": (ENTRY_COLUMNS, _entry_rows)}
    columns, make = kinds[check_one_of(rows, tuple(kinds), "rows")]
    writer = csv.writer(stream)
    writer.writerow(columns)
    count = 0
    for story in iterate_stories(connection):
        for row in make(story):
            writer.writerow([make_harmless(row.get(column)) for column in columns])
            count += 1
    return count


def make_harmless(value: Any) -> Any:
    """A cell that no spreadsheet runs: text that begins like a formula gets an apostrophe before it."""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r", "\n"):
        return "'" + value
    if isinstance(value, float):
        return tell_typed(value)
    return "" if value is None else value


def _lot_rows(story: e.LotStory) -> Iterable[dict[str, Any]]:
    lot, closing = story.lot, story.closing
    try:
        state = story.state()
    except InputError:  # entries that contradict are shown by `check`; the rest of the row still holds
        state = None
    # A recheck weeks later says how the colour held, not where the lot ended.
    matched = [photo for photo in story.matched if photo.delta_e_2000 is not None]
    ended = closing and closing.final and closing.final.now
    dosed: dict[str, float] = {}
    for entry in story.additions:
        dosed[entry.stock] = dosed.get(entry.stock, 0.0) + entry.ml
    yield _take(lot, LOT_COLUMNS) | {
        "stocks": "; ".join(lot.stocks),
        "volume_now_ml": state and state.volume_ml,
        "additions": len(story.additions),
        "added_ml": math.fsum(entry.ml for entry in story.additions),
        "added_mg": math.fsum(entry.mg for entry in story.additions),
        "dose": "; ".join(f"{stock} {tell_typed(ml)} ml" for stock, ml in dosed.items()),
        "colour_mg_per_l": state and state.total_mg_per_l(),
        "photos": len(story.photos),
        **_take(matched[-1] if matched else None, [c for c in LOT_COLUMNS if c.startswith("delta_e_2000")]),
        "outcome": closing and closing.outcome,
        "closed_at_utc": closing and closing.created_at,
        "closing_text": closing and closing.text,
        **(dict(zip(_CLOSING, ended.ends, strict=True)) if ended else {}),
    }


def _entry_rows(story: e.LotStory) -> Iterable[dict[str, Any]]:
    counting = {entry.id for entry in story.effective}
    for entry in story.events:
        body = _take(entry, ENTRY_COLUMNS) | _take(story.lot, ("lot_id", "lot_name", "lot_label"))
        body["counts"] = "yes" if entry.id in counting else "no"
        if isinstance(entry, e.MovedEntry):
            body |= {"happened_at_utc": entry.moved_to, "about_entry_id": entry.moved_entry_id}
        elif isinstance(entry, e.AsideEntry):
            body["about_entry_id"] = entry.photo_entry_id
        elif isinstance(entry, e.AnswerEntry):
            body["about_entry_id"] = entry.cause[1]
        elif isinstance(entry, e.VolumeEntry):
            body["returned"] = "yes" if entry.returned else "no"
        yield body
