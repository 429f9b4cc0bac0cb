"""Entries in the lots of the book: notes, answers, photos, and when things happened; no doses."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any, Unpack, cast

from sqlalchemy import Connection, or_, select

from colourmatch.book import entries as e
from colourmatch.book import tables as t
from colourmatch.book import transactions
from colourmatch.book.checks import check_one_of, check_text, to_json, utc_text
from colourmatch.book.naming import find_lot_id
from colourmatch.book.photo_store import hash_photo
from colourmatch.book.rows import iterate_stories, read_entry, read_events, read_story
from colourmatch.book.transactions import By, Part, enter
from colourmatch.errors import InputError, NotFoundError
from colourmatch.records import plain
from colourmatch.words.times import tell_time

if TYPE_CHECKING:  # lists of lots do not wait for them
    from colourmatch.advice import Advice
    from colourmatch.measurement import Measurement


class Entries(Part):
    """Entries of the lots of an open book."""

    def add_note(self, lot: int | str, text: str, **by: Unpack[By]) -> e.NoteEntry:
        """Write a note into a lot, open or closed."""
        values = {"text": check_text(text, "note")}
        if not values["text"].strip():
            raise InputError("The note is empty. Write something.")
        return enter(self._database, "note", e.NoteEntry, lot, values, **by, when_closed=True)

    def answer(
        self,
        lot: int | str,
        code: str,
        about: int,
        yes: bool | None,
        *,
        stock: str | None = None,
        reason: str | None = None,
        **by: Unpack[By],
    ) -> e.AnswerEntry:
        """Keep what the maker says to the question whether something went wrong by hand (liquid/mishaps.py).

        about: the entry that it is about; yes: None takes an answer back; stock: the one that it names. InputError when the
        lot has no such entry.
        """
        told = {"code": check_text(code, "code"), "about": about, "yes": yes}
        values = {"changes": to_json(told | ({"stock": stock} if stock else {}))}

        def check(connection: Connection, lot_id: int) -> None:
            if transactions.find_entry(connection, about).lot_id != lot_id:
                raise InputError(f"Entry {about} is of another lot. See: colourmatch lot show {lot_id}")

        return enter(self._database, "answer", e.AnswerEntry, lot, values, **by, reason=reason, check=check)

    def stories_since(self, since: str, lot: int | str | None = None) -> list[e.LotStory]:
        """The lots, or one lot, begun or with entries from a moment on (UTC text), in the order of their ids."""
        with self._database.read() as connection:
            if lot is not None:
                return [read_story(connection, find_lot_id(connection, lot))]
            late = select(t.lot_entries.c.lot_id).where(t.lot_entries.c.created_at >= since)
            touched = or_(t.lots.c.created_at >= since, t.lots.c.id.in_(late))
            return list(iterate_stories(connection, heavy=True, only=touched))

    def with_token(self, lot: int | str, token: str | None) -> e.LotEntry | None:
        """The entry of a lot that was made with a token, None when there is none."""
        with self._database.read() as connection:
            row = transactions.find_token(connection, t.lot_entries, token)
            mine = row is not None and row["lot_id"] == find_lot_id(connection, lot)
            return read_entry(connection, row["id"]) if mine else None

    def move(self, entry_id: int, at: datetime | str, reason: str, **by: Unpack[By]) -> e.MovedEntry:
        """Put right when an addition, sample, untinted part, photo or note happened; it then counts at that time.

        at: a moment with its zone. InputError for a time to come, from before the lot was begun, on the other side of
        the closing, for an entry that was replaced or is void, or when the lot no longer adds up.
        """
        why, moment = transactions.check_reason(reason), utc_text(at)
        values = {"moved_entry_id": entry_id, "moved_to": moment}
        with self._database.read() as connection:
            home = transactions.find_entry(connection, entry_id).lot_id

        def check(connection: Connection, lot_id: int) -> None:
            check_move(read_story(connection, lot_id), entry_id, moment)

        return enter(
            self._database, "moved", e.MovedEntry, home, values,
            **by, reason=why, when_closed=True, prove=True, check=check,
        )  # fmt: skip


def check_move(story: e.LotStory, entry_id: int, moment: str) -> None:
    """InputError when an entry of a lot cannot have happened at a moment (UTC text)."""
    entry = story.find(entry_id)
    transactions.refuse_replaced(entry)
    _refuse_fixed(story, entry)
    if moment > utc_text():
        raise InputError(f"{tell_time(moment)} is still to come. Give the time at which it happened.")
    if moment < story.lot.created_at:
        raise InputError(
            f"Lot {story.lot.id} was begun on {tell_time(story.lot.created_at)}, after {tell_time(moment)}. "
            "Give a later time."
        )
    if (closing := story.closing) is None or isinstance(entry, e.NoteEntry):  # a note may go anywhere
        return
    said = f"The lot was closed on {tell_time(closing.created_at)}"
    if isinstance(entry, e.PhotoEntry) and entry.purpose == "recheck":
        if moment < closing.created_at:
            raise InputError(f"{said}, and a recheck comes after that. Give a later time.")
    elif moment > closing.created_at:
        raise InputError(f"{said}, and this belongs before that. Give an earlier time.")


def _refuse_fixed(story: e.LotStory, entry: e.LotEntry) -> None:
    """InputError for an entry whose time is not its own."""
    if not isinstance(entry, (e.AdditionEntry, e.VolumeEntry, e.PhotoEntry, e.NoteEntry)):
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


#: The ends of the names of a difference's columns: its figures in a measurement.
_DELTA = {"": "value", "_low": "low", "_high": "high"}


class Photos(Part):
    """Photos of the lots of an open book."""

    def add(
        self,
        lot: int | str,
        measurement: Measurement | Mapping[str, Any],
        advice: Advice | Mapping[str, Any] | None = None,
        *,
        photo: bytes | None = None,
        purpose: str = "match",
        taken_at: datetime | str | None = None,
        original_name: str | None = None,
        **by: Unpack[By],
    ) -> e.PhotoEntry:
        """Keep a photo, what was measured on it and what was advised; the file goes to the photo store first.

        A recheck may be added to a closed lot. PhotoError when the file is none that can be kept.
        """
        check_one_of(purpose, ("match", "recheck"), "purpose")
        with self._database.read() as connection:  # a photo that will be refused is not stored
            if purpose == "match" and transactions.find_token(connection, t.lot_entries, by.get("token")) is None:
                transactions.refuse_closed(connection, find_lot_id(connection, lot))
        file = self._store.keep_named(photo, original_name)
        recorded = plain(measurement)
        delta = recorded.get("delta_e_2000") or {}
        texts = {"measurement": to_json(recorded), "advice": to_json(plain(advice))}
        values = {
            "purpose": purpose,
            "taken_at": None if taken_at is None else utc_text(taken_at),
            **file,
            **texts,
        }
        values |= {f"delta_e_2000{end}": delta.get(key) for end, key in _DELTA.items()}
        # what was read from the same file again may differ in a digit, and what is advised now differs
        seen = {"original_sha256": file["original_sha256"], "purpose": purpose}
        seen |= {} if photo is not None else {"measurement": texts["measurement"]}
        return enter(
            self._database, "photo", e.PhotoEntry, lot, lambda _c, lot_id: values | {"lot_id": lot_id},
            **by, when_closed=purpose == "recheck", asked=seen,
        )  # fmt: skip

    def find(self, photo: bytes, lot: int | str | None = None) -> e.PhotoEntry | None:
        """The first entry of this very photo (in one lot), None when it is new: a resubmitted photo."""
        sha256 = hash_photo(photo)
        either = or_(t.photos.c.original_sha256 == sha256, t.photos.c.sha256 == sha256)
        query = select(t.photos.c.entry_id).where(either).order_by(t.photos.c.entry_id).limit(1)
        with self._database.read() as connection:
            if lot is not None:
                query = query.where(t.photos.c.lot_id == find_lot_id(connection, lot))
            entry_id = connection.scalar(query)
            return None if entry_id is None else cast(e.PhotoEntry, read_entry(connection, entry_id))

    def set_aside(
        self, lot: int | str, photo: int | str, why: str, *, back: bool = False, **by: Unpack[By]
    ) -> e.AsideEntry:
        """Leave a photo of a lot, open or closed, out of all that is said of it; `back` True: it counts again.

        photo: its entry, or the name of its file. Nothing is deleted. NotFoundError when the lot has no such photo,
        InputError when it is set aside already, or is not.
        """
        reason = transactions.check_reason(why)

        def check(connection: Connection, lot_id: int) -> None:
            found = _find_lot_photo(connection, photo, lot_id)
            if (found.aside is None) == back:
                said = "counts as it is" if back else f"is set aside already: {found.aside}"
                raise InputError(f"Photo {found.original_name or ''} (entry {found.id}) {said}. Leave it so.")

        def values(connection: Connection, lot_id: int) -> dict[str, Any]:
            return {"photo_entry_id": _find_lot_photo(connection, photo, lot_id).id, "back": back}

        return enter(
            self._database, "set-aside", e.AsideEntry, lot, values,
            **by, reason=reason, when_closed=True, check=check,
        )  # fmt: skip


def _find_lot_photo(connection: Connection, photo: int | str, lot_id: int) -> e.PhotoEntry:
    events = read_events(connection, [lot_id], heavy=False)[lot_id]
    photos = [entry for entry in events if isinstance(entry, e.PhotoEntry)]
    typed = str(photo).strip()
    found = [p for p in photos if str(p.id) == typed] or [p for p in photos if p.original_name == typed]
    if len(found) == 1:
        return found[0]
    listed = ", ".join(f"{p.id} ({p.original_name or 'no name'})" for p in found or photos) or "none yet"
    if found:
        raise InputError(f"Lot {lot_id} has {len(found)} photos {typed}. Give the entry of one: {listed}.")
    raise NotFoundError(f"Lot {lot_id} has no photo {typed}. Give one of its photos by entry: {listed}.")
