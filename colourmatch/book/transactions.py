"""What every part of the lot book stands on: the database, writing once, tokens, and names that were mistyped."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any, Concatenate, ParamSpec, TypedDict, TypeVar

from sqlalchemy import Connection, Engine, Table, func, select
from sqlalchemy.exc import IntegrityError, OperationalError

from colourmatch.book.checks import check_text, utc_text
from colourmatch.book.opening import speaking
from colourmatch.book.opening import write as begin_writing
from colourmatch.book.photo_store import PhotoStore
from colourmatch.book.seals import forget_new, note_new, seal_new
from colourmatch.errors import UsedTokenError

T = TypeVar("T")
P = ParamSpec("P")
_ATTEMPTS = 4
#: What became of an entry whose server went away before it was asked to keep it, or after.
_NOT_ENTERED = "Nothing was entered: enter it again when the database is back."
_IN_DOUBT = "It went away while the entry was kept: when it is back, look whether the entry is there before you enter it again."


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
        """A connection to read with; what goes wrong is said as a sentence."""
        with speaking(self.place), self.engine.connect() as connection:
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
            forget_new(connection)
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
    if (
        table.name == "lot_entries"
    ):  # never before its last one, so that a lot's story at any time is one that was
        last = select(func.max(table.c.created_at)).where(table.c.lot_id == values["lot_id"])
        now = max(now, connection.scalar(last) or "")
    if values.get("entered_by") is not None:
        check_text(values["entered_by"], "name of who entered it")
    result = connection.execute(table.insert().values(created_at=now, **values))
    row_id = int(result.inserted_primary_key[0])  # type: ignore[index]
    note_new(connection, table.name, row_id)
    return row_id


def near_names(wanted: str, names: Iterable[str] | Mapping[str, str]) -> str:
    """Part of a sentence that names the near ones, empty when none is near; a mapping says how each is shown."""
    shown = names if isinstance(names, Mapping) else {name: name for name in names}
    folded = {name.casefold(): text for name, text in shown.items()}
    near = [folded[key] for key in difflib.get_close_matches(wanted.casefold(), folded, n=3, cutoff=0.5)]
    return f" Near it: {', '.join(near)}." if near else ""
