"""How an entry of a lot is written, once and in one transaction, by whatever part of the book; it changes no row."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar, Unpack, cast

from sqlalchemy import Connection, select

from colourmatch.book import tables as t
from colourmatch.book.checks import check_text
from colourmatch.book.entries import LotEntry
from colourmatch.book.naming import find_lot_id
from colourmatch.book.rows import read_entry, read_story, still_closed
from colourmatch.book.transactions import By, Database, find_token, insert, refuse_other
from colourmatch.errors import ClosedError, InputError, NotFoundError
from colourmatch.words.times import tell_date

E = TypeVar("E", bound=LotEntry)
#: What an entry holds: known beforehand, or found out in the transaction from the lot's id.
Said = Mapping[str, Any] | Callable[["Connection", int], Mapping[str, Any]]


def enter(
    database: Database,
    kind: str,
    expected: type[E],
    lot: int | str,
    particulars: Said,
    *,
    reason: str | None = None,
    when_closed: bool = False,
    prove: bool = False,
    check: Callable[[Connection, int], None] | None = None,
    then: Callable[[Connection, int], None] | None = None,
    asked: Said | None = None,
    replaces_id: int | None = None,
    **by: Unpack[By],
) -> E:
    """One entry of a lot, and what follows from it, in one transaction; `prove`: the lot must still add up with it.

    The same token again gives the first entry when `asked` (the particulars when None) and the reason are what it holds,
    else an InputError; check: what refuses a new one.
    """
    wanted = particulars if asked is None else asked

    def act(connection: Connection) -> E:
        lot_id = find_lot_id(connection, lot, lock=True)
        if (known := find_repeat(connection, by.get("token"), lot_id, kind)) is not None:
            refuse_other_entry(connection, known, {**_told(wanted, connection, lot_id), "reason": reason})
            return cast(E, known)
        if not when_closed:
            refuse_closed(connection, lot_id)
        if check is not None:
            check(connection, lot_id)
        body = _told(particulars, connection, lot_id)
        entry_id = put_entry(connection, lot_id, kind, body, reason=reason, replaces_id=replaces_id, **by)
        if then is not None:
            then(connection, lot_id)
        if prove:
            read_story(connection, lot_id).state()
        return cast(E, find_entry(connection, entry_id))

    return database.write(act)


def correct(
    database: Database,
    entry_id: int,
    expected: type[E],
    particulars: Callable[[Connection, LotEntry], dict[str, Any]],
    reason: str,
    *,
    asked: Callable[[Connection], dict[str, Any]],
    **by: Unpack[By],
) -> E:
    """One entry that replaces another, in an open lot or a closed one; the lot must add up with it.

    InputError for an entry that was corrected before, or without a reason; the same token again as in `enter`.
    """
    why = check_reason(reason)
    with database.read() as connection:
        old = find_entry(connection, entry_id)

    def body(connection: Connection, _lot_id: int) -> dict[str, Any]:
        now = find_entry(connection, entry_id)  # now that nobody else can write
        refuse_replaced(now)
        return particulars(connection, now)

    return enter(
        database, old.kind, expected, old.lot_id, body, **by, reason=why, when_closed=True, prove=True,
        asked=lambda c, _lot_id: {**asked(c), "replaces_id": entry_id}, replaces_id=entry_id,
    )  # fmt: skip


def _told(said: Said, connection: Connection, lot_id: int) -> Mapping[str, Any]:
    return said(connection, lot_id) if callable(said) else said


def put_entry(connection: Connection, lot_id: int, kind: str, values: Mapping[str, Any], **head: Any) -> int:
    """Write one entry, its head and its part, inside a transaction that may write several; its id."""
    entry_id = insert(connection, t.lot_entries, lot_id=lot_id, kind=kind, **head)
    connection.execute(t.PARTS[kind].insert().values(entry_id=entry_id, **values))
    return entry_id


def find_repeat(connection: Connection, token: str | None, lot_id: int, kind: str) -> LotEntry | None:
    row = find_token(connection, t.lot_entries, token)
    if row is None:
        return None
    refuse_other(row, {"lot_id": lot_id, "kind": kind})
    return read_entry(connection, row["id"])


def refuse_other_entry(connection: Connection, known: LotEntry, asked: Mapping[str, Any]) -> None:
    """InputError when an entry found by its token is not what is asked for; keys are columns of its head or its part."""
    head, part = t.lot_entries, t.PARTS[known.kind]
    row = connection.execute(select(head).where(head.c.id == known.id)).mappings().one()
    body = connection.execute(select(part).where(part.c.entry_id == known.id)).mappings().one()
    refuse_other({**body, **row}, asked)


def refuse_closed(connection: Connection, lot_id: int) -> None:
    query = select(t.lot_entries.c.created_at).join(t.closings, t.closings.c.entry_id == t.lot_entries.c.id)
    closed_at = connection.scalar(query.where(t.closings.c.lot_id == lot_id, still_closed()))
    if closed_at is not None:
        raise ClosedError(
            f"Lot {lot_id} was closed on {tell_date(closed_at)}: it takes corrections, notes and rechecks only. "
            f"Begin a new lot for anything else, or open it again: colourmatch lot reopen {lot_id} --reason WHY"
        )


def find_entry(connection: Connection, entry_id: int) -> LotEntry:
    """An entry of any lot; NotFoundError when there is none of that number."""
    if (found := read_entry(connection, entry_id)) is None:
        raise NotFoundError(f"There is no entry {entry_id}. Look it up with: colourmatch lot show LOT")
    return found


def refuse_replaced(entry: LotEntry) -> None:
    """InputError for an entry that was corrected before: the latest is the one to correct."""
    if entry.replaced_by_id is not None:
        raise InputError(
            f"Entry {entry.id} was corrected already. Correct entry {entry.replaced_by_id} instead."
        )


def check_reason(reason: str) -> str:
    """Why something is put right; InputError when nothing is said."""
    why = check_text(reason, "reason").strip()
    if not why:
        raise InputError("A correction needs its reason. Say in a few words what was wrong.")
    return why
