"""What every part of the lot book stands on: the database, writing once, tokens, and how an entry is written."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypedDict, TypeVar, Unpack, cast

from sqlalchemy import Connection, Engine, Table, func, select
from sqlalchemy.exc import IntegrityError, OperationalError

from colourmatch.book import tables as t
from colourmatch.book.checks import check_text, utc_text
from colourmatch.book.entries import AdditionEntry, LotEntry
from colourmatch.book.naming import find_lot_id
from colourmatch.book.opening import speaking
from colourmatch.book.opening import write as begin_writing
from colourmatch.book.photo_store import PhotoStore
from colourmatch.book.rows import read_entry, read_story, still_closed
from colourmatch.book.seals import note_new, seal_new
from colourmatch.errors import ClosedError, InputError, NotFoundError, UsedTokenError
from colourmatch.words.times import tell_date

T = TypeVar("T")
P = ParamSpec("P")
_ATTEMPTS = 4
#: What became of an entry whose server went away before it was asked to keep it, or after.
_NOT_ENTERED = "Nothing was entered: enter it again when the database is back."
_IN_DOUBT = (
    "It went away while the entry was kept: when it is back, look whether the entry is there before you enter it again."
)


class By(TypedDict, total=False):
    """Who enters something, and the token by which the same act is known when it comes again."""

    entered_by: str | None
    token: str | None


def part_of(by: By, what: str) -> By:
    """The same for another entry of the same act, which needs a token of its own."""
    token = by.get("token")
    return {"entered_by": by.get("entered_by"), "token": token and f"{token}-{what}"}


class Database:
    """The database of an open book: reads, and writes each act once; `place` is what it is called in sentences."""

    def __init__(self, engine: Engine, place: str) -> None:
        self.engine = engine
        self.place = place

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection that sees the book as it is at its first query; what goes wrong is said as a sentence."""
        with speaking(self.place), self.engine.connect() as connection:
            if self.engine.dialect.name == "postgresql":
                connection.execution_options(isolation_level="REPEATABLE READ")
            yield connection

    def write(self, act: Callable[[Connection], T]) -> T:
        """Run `act` in one writing transaction, again when another station was quicker."""
        for _ in range(_ATTEMPTS - 1):
            try:
                return self._write_once(act)
            except IntegrityError:
                pass
            except OperationalError as error:  # a deadlock or a serialisation failure of a server
                if getattr(error.orig, "sqlstate", None) not in ("40001", "40P01"):
                    raise
        return self._write_once(act)

    def _write_once(self, act: Callable[[Connection], T]) -> T:
        written = False
        with (
            speaking(self.place, lambda: _IN_DOUBT if written else _NOT_ENTERED),
            begin_writing(self.engine) as connection,
        ):
            result = act(connection)
            seal_new(connection)
            written = True  # what is left is the commit: no answer to it says neither yes nor no
            return result


class Part:
    """A part of an open book: it knows the database and the photo store, and no other part."""

    def __init__(self, database: Database, store: PhotoStore) -> None:
        self._database, self._store = database, store

    def _read(self, read: Callable[Concatenate[Connection, P], T], *args: P.args, **options: P.kwargs) -> T:
        """What a function of a connection reads."""
        with self._database.read() as connection:
            return read(connection, *args, **options)


def reads(read: Callable[Concatenate[Connection, P], T]) -> Callable[Concatenate[Any, P], T]:
    """A method of a part that gives what a function of a connection reads."""

    @wraps(read)
    def method(part: Part, /, *args: P.args, **options: P.kwargs) -> T:
        return part._read(read, *args, **options)

    return method


def find_token(connection: Connection, table: Table, token: str | None) -> Any:
    """The row that was written with this token, None when there is none."""
    if token is None:
        return None
    if not (isinstance(token, str) and 1 <= len(token) <= 200 and "\0" not in token):
        raise ValueError(f"token must be text of 1 to 200 characters, got {token!r}")
    return connection.execute(select(table).where(table.c.token == token)).mappings().first()


def insert_once(connection: Connection, table: Table, by: By, asked: Mapping[str, Any], **values: Any) -> int:
    """Add a row; the one that was written with this token before where `asked` is what it holds, else UsedTokenError."""
    if (known := find_token(connection, table, by.get("token"))) is not None:
        refuse_other(known, asked)
        return int(known["id"])
    return insert(connection, table, **by, **values)


def refuse_other(stored: Mapping[str, Any], asked: Mapping[str, Any]) -> None:
    """UsedTokenError when what is asked with a token is other than what was entered with it; a callable asks by itself."""
    for key, value in asked.items():
        if not (value(stored[key]) if callable(value) else stored[key] == value):
            raise UsedTokenError(
                f"Something was entered with the token {stored['token']!r} already, and its {key.replace('_', ' ')} differs. "
                "Look at what is written down; give a new entry a token of its own."
            )


def insert(connection: Connection, table: Table, **values: Any) -> int:
    """Add a row with the time of now, or of the entry before it where a clock was set back; its id."""
    now = utc_text()
    if table.name == "lot_entries":
        # never before its last one, so that a lot's story at any time is one that was
        last = select(func.max(table.c.created_at)).where(table.c.lot_id == values["lot_id"])
        now = max(now, connection.scalar(last) or "")
    if values.get("entered_by") is not None:
        check_text(values["entered_by"], "name of who entered it")
    result = connection.execute(table.insert().values(created_at=now, **values))
    row_id = int(result.inserted_primary_key[0])  # type: ignore[index]
    note_new(connection, table.name, row_id)
    return row_id


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
    particulars: Callable[[Connection, E], dict[str, Any]],
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
        if not isinstance(now, expected):
            kind = "addition" if expected is AdditionEntry else "sample"
            raise InputError(f"Entry {entry_id} is no {kind} but a {now.kind}. Look it up in the lot again.")
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
    query = select(part, head).join(part, part.c.entry_id == head.c.id).where(head.c.id == known.id)
    refuse_other(dict(connection.execute(query).mappings().one()), asked)


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
        raise InputError(f"Entry {entry.id} was corrected already. Correct entry {entry.replaced_by_id} instead.")


def check_reason(reason: str) -> str:
    """Why something is put right; InputError when nothing is said."""
    why = check_text(reason, "reason").strip()
    if not why:
        raise InputError("A correction needs its reason. Say in a few words what was wrong.")
    return why
