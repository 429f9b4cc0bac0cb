"""Writes lots and entries as CSV for spreadsheets, in bounded memory; it reads nothing back.

Column names are stable and carry their units. Text that would be run as a formula is made harmless.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from typing import Any, TextIO

from sqlalchemy import Connection

from colourmatch.book.entries import (
    AdditionEntry,
    AnswerEntry,
    AsideEntry,
    LotEntry,
    LotStory,
    MovedEntry,
    VolumeEntry,
)
from colourmatch.book.export import iterate_stories
from colourmatch.errors import InputError
from colourmatch.words.figures import tell_typed

LOT_COLUMNS = (
    "lot_id", "lot_number", "lot_name", "created_at_utc", "entered_by", "volume_start_ml", "volume_now_ml",
    "depth_mm", "dilution", "tolerance_delta_e_2000", "ceiling_mg_per_l", "already_mg_per_l", "jurisdiction",
    "stocks", "additions", "added_ml", "added_mg", "dose", "colour_mg_per_l", "photos", "delta_e_2000",
    "delta_e_2000_low", "delta_e_2000_high", "outcome", "closed_at_utc", "closing_text", "notes",
    "already_colourant", "trial_of_lot_id", "lot_label",
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
    """Write a table, one row a lot or (`rows` "entries") one row an entry; the number of rows.

    Open the stream with newline="".
    """
    columns, make = {"lots": (LOT_COLUMNS, _lot_rows), "entries": (ENTRY_COLUMNS, _entry_rows)}[rows]
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


def _lot_rows(story: LotStory) -> Iterable[dict[str, Any]]:
    lot, closing = story.lot, story.closing
    try:
        state = story.state()
    except InputError:  # entries that contradict are shown by `check`; the rest of the row still holds
        state = None
    # A recheck weeks later says how the colour held, not where the lot ended.
    matched = [p for p in story.counting_photos if p.purpose == "match" and p.delta_e_2000 is not None]
    yield _take(lot, LOT_COLUMNS) | {
        "stocks": "; ".join(lot.stocks),
        "volume_now_ml": state and state.volume_ml,
        "additions": len(story.additions),
        "added_ml": math.fsum(entry.ml for entry in story.additions),
        "added_mg": math.fsum(entry.mg for entry in story.additions),
        "dose": _dose_text(story.additions),
        "colour_mg_per_l": state and state.total_mg_per_l(),
        "photos": len(story.photos),
        **_take(
            matched[-1] if matched else None,
            [column for column in LOT_COLUMNS if column.startswith("delta_e_2000")],
        ),
        "outcome": closing and closing.outcome,
        "closed_at_utc": closing and closing.created_at,
        "closing_text": closing and closing.text,
    }


def _dose_text(additions: Iterable[AdditionEntry]) -> str:
    totals: dict[str, float] = {}
    for entry in additions:
        totals[entry.stock] = totals.get(entry.stock, 0.0) + entry.ml
    return "; ".join(f"{stock} {tell_typed(ml)} ml" for stock, ml in totals.items())


def _entry_rows(story: LotStory) -> Iterable[dict[str, Any]]:
    counting = {entry.id for entry in story.effective}
    for entry in story.events:
        of_lot = _take(story.lot, ("lot_id", "lot_name", "lot_label"))
        yield _entry_body(entry) | of_lot | {"counts": "yes" if entry.id in counting else "no"}


def _entry_body(entry: LotEntry) -> dict[str, Any]:
    body = _take(entry, ENTRY_COLUMNS)
    if isinstance(entry, MovedEntry):
        body |= {"happened_at_utc": entry.moved_to, "about_entry_id": entry.moved_entry_id}
    if isinstance(entry, AsideEntry):
        body["about_entry_id"] = entry.photo_entry_id
    if isinstance(entry, AnswerEntry):
        body["about_entry_id"] = entry.cause[1]
    if isinstance(entry, VolumeEntry):
        body["returned"] = "yes" if entry.returned else "no"
    return body
