"""Entries of any kind in the lots of the book: notes, what a token was used for, and when something happened."""

from __future__ import annotations

from datetime import datetime
from typing import Unpack

from sqlalchemy import Connection, select

from colourmatch.book import tables as t
from colourmatch.book.checks import check_text, to_json, utc_text
from colourmatch.book.entering import check_reason, enter, find_entry, refuse_replaced
from colourmatch.book.entries import (
    AdditionEntry,
    AnswerEntry,
    ClosingEntry,
    LotEntry,
    LotStory,
    MovedEntry,
    NoteEntry,
    PhotoEntry,
    VolumeEntry,
)
from colourmatch.book.naming import find_lot_id
from colourmatch.book.rows import read_entry, read_story
from colourmatch.book.transactions import By, Part, find_token
from colourmatch.errors import InputError
from colourmatch.words.times import tell_time


class Entries(Part):
    """Entries of the lots of an open book."""

    def add_note(self, lot: int | str, text: str, **by: Unpack[By]) -> NoteEntry:
        """Write a note into a lot, open or closed."""
        values = {"text": check_text(text, "note")}
        if not values["text"].strip():
            raise InputError("The note is empty. Write something.")
        return enter(self._database, "note", NoteEntry, lot, values, **by, when_closed=True)

    def answer(
        self,
        lot: int | str,
        code: str,
        about: int,
        yes: bool | None,
        *,
        reason: str | None = None,
        **by: Unpack[By],
    ) -> AnswerEntry:
        """Keep what the maker says to the question whether something went wrong by hand (liquid/mishaps.py).

        about: the entry that it is about; yes: None takes an answer back. InputError when the lot has no such entry.
        """
        values = {"changes": to_json({"code": check_text(code, "code"), "about": about, "yes": yes})}

        def check(connection: Connection, lot_id: int) -> None:
            if find_entry(connection, about).lot_id != lot_id:
                raise InputError(f"Entry {about} is of another lot. See: colourmatch lot show {lot_id}")

        return enter(self._database, "answer", AnswerEntry, lot, values, **by, reason=reason, check=check)

    def stories_since(self, since: str, lot: int | str | None = None) -> list[LotStory]:
        """The lots, or one lot, begun or with entries from a moment on (UTC text), in the order of their ids."""
        with self._database.read() as connection:
            if lot is not None:
                return [read_story(connection, find_lot_id(connection, lot))]
            late = select(t.lot_entries.c.lot_id).where(t.lot_entries.c.created_at >= since)
            query = select(t.lots.c.id).where((t.lots.c.created_at >= since) | t.lots.c.id.in_(late))
            return [
                read_story(connection, lot_id) for lot_id in connection.scalars(query.order_by(t.lots.c.id))
            ]

    def with_token(self, lot: int | str, token: str | None) -> LotEntry | None:
        """The entry of a lot that was made with a token, None when there is none."""
        with self._database.read() as connection:
            row = find_token(connection, t.lot_entries, token)
            mine = row is not None and row["lot_id"] == find_lot_id(connection, lot)
            return read_entry(connection, row["id"]) if mine else None

    def move(self, entry_id: int, at: datetime | str, reason: str, **by: Unpack[By]) -> MovedEntry:
        """Put right when an addition, sample, untinted part, photo or note happened; it then counts at that time.

        at: a moment with its zone. InputError for a time to come, from before the lot was begun, on the other side of
        the closing, for an entry that was replaced or is void, or when the lot no longer adds up.
        """
        why, moment = check_reason(reason), utc_text(at)
        values = {"moved_entry_id": entry_id, "moved_to": moment}
        with self._database.read() as connection:
            home = find_entry(connection, entry_id).lot_id

        def check(connection: Connection, lot_id: int) -> None:
            check_move(read_story(connection, lot_id), entry_id, moment)

        return enter(
            self._database, "moved", MovedEntry, home, values,
            **by, reason=why, when_closed=True, prove=True, check=check,
        )  # fmt: skip


def check_move(story: LotStory, entry_id: int, moment: str) -> None:
    """InputError when an entry of a lot cannot have happened at a moment (UTC text)."""
    entry = story.find(entry_id)
    refuse_replaced(entry)
    _refuse_fixed(story, entry)
    if moment > utc_text():
        raise InputError(f"{tell_time(moment)} is still to come. Give the time at which it happened.")
    if moment < story.lot.created_at:
        raise InputError(
            f"Lot {story.lot.id} was begun on {tell_time(story.lot.created_at)}, after {tell_time(moment)}. "
            "Give a later time."
        )
    _refuse_across(story.closing, entry, moment)


def _refuse_fixed(story: LotStory, entry: LotEntry) -> None:
    """InputError for an entry whose time is not its own."""
    if not isinstance(entry, (AdditionEntry, VolumeEntry, PhotoEntry, NoteEntry)):
        raise InputError(
            f"Entry {entry.id} is of the kind {entry.kind}, which stands where it was entered. Give the number of an "
            "addition, a sample, a photo or a note."
        )
    if getattr(entry, "void", False):
        raise InputError(f"Entry {entry.id} says that it never happened. Leave its time as it is.")
    if story.line(entry)[0].reason or getattr(entry, "trial_lot_id", None) is not None:
        raise InputError(
            f"Entry {entry.id} belongs to a trial that was taken or poured back, as one act with other entries. "
            "Leave its time as it is."
        )


def _refuse_across(closing: ClosingEntry | None, entry: LotEntry, moment: str) -> None:
    """InputError when a move would carry an entry over the closing of its lot; a note may go anywhere."""
    if closing is None or isinstance(entry, NoteEntry):
        return
    said = f"The lot was closed on {tell_time(closing.created_at)}"
    if isinstance(entry, PhotoEntry) and entry.purpose == "recheck":
        if moment < closing.created_at:
            raise InputError(f"{said}, and a recheck comes after that. Give a later time.")
    elif moment > closing.created_at:
        raise InputError(f"{said}, and this belongs before that. Give an earlier time.")
