"""Finds, opens, creates and migrates the database of a lot book, and says its complaints; it knows no lot."""

from __future__ import annotations

import json
import os
import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy
from platformdirs import user_data_path
from sqlalchemy import URL, Connection, Engine, event, inspect, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, DisconnectionError, IntegrityError

from colourmatch.book import tables
from colourmatch.errors import BookError, InputError
from colourmatch.files import clear_left_over, name_partial

BUSY_SECONDS = 20
#: Above this size a whole check at every opening would be felt; `check` still reads it all.
QUICK_CHECK_BYTES = 20_000_000
#: Taken on a server while tables are made, until the transaction ends; the number only has to be its own.
LOCK_BUILDING = "SELECT pg_advisory_xact_lock(5310061)"
#: Of a book that is made: a photo's row fills one page and a part of the next, which other rows share.
_PAGE_BYTES = 2048


def find_location(location: str | Path | None) -> str:
    """Where the book is: the argument, else COLOURMATCH_BOOK, else the per-user data folder."""
    chosen = str(location or os.environ.get("COLOURMATCH_BOOK") or "").strip()
    return chosen or str(user_data_path("colourmatch", appauthor=False) / "book.sqlite")


def parse_location(location: str) -> URL:
    """The SQLAlchemy URL of a path or of a URL; BookError for a URL that is none."""
    if "://" not in location:
        return URL.create("sqlite", database=str(Path(location).expanduser().absolute()))
    try:
        url = make_url(location)
    except (ArgumentError, ValueError):
        raise BookError(
            "The address of the lot book is not a database URL. Give a path, or postgresql://USER@HOST/NAME."
        ) from None
    if url.get_backend_name() in ("postgresql", "postgres"):
        return url.set(drivername="postgresql+psycopg")
    return url


def book_path(url: URL) -> Path | None:
    """The file of a SQLite book, None for a server."""
    if url.get_backend_name() != "sqlite" or url.database in (None, "", ":memory:"):
        return None
    name = str(url.database)
    return Path(name.removeprefix("file:").partition("?")[0] if name.startswith("file:") else name)


def place_of(url: URL) -> str:
    """What a book is called in sentences: its file, or its address without the password."""
    return str(book_path(url) or url.render_as_string(hide_password=True))


def open_engine(url: URL, begin: Callable[[str], None] = lambda place: None) -> Engine:
    """An engine on a book of the present version: a fresh one is created, an older one copied and migrated.

    begin: called with the place before a fresh one is created; what it raises leaves the place as it was. BookError says in a sentence what is wrong: locked, full, read-only, no database, damaged, newer version.
    """
    place, path = place_of(url), book_path(url)
    absent = path is not None and is_absent(path)
    if path is not None:
        if absent:
            begin(place)
        with _reaching(path):
            path.parent.mkdir(parents=True, exist_ok=True)
        refuse_other_files(path)
        clear_left_over(path.parent)
    with speaking(place):
        engine = make_engine(url)
        try:
            found = read_version(engine, path)
            if found is None:
                if not absent:
                    begin(place)
                _create(engine)
            elif found != tables.VERSION:
                _migrate(engine, found, path, place)
        except BaseException:
            engine.dispose()
            raise
    return engine


def is_absent(path: Path) -> bool:
    """Whether nothing lies there, or an empty file."""
    with _reaching(path):
        try:
            return not path.stat().st_size
        except (FileNotFoundError, NotADirectoryError):
            return True


@contextmanager
def _reaching(path: Path) -> Iterator[None]:
    """BookError where the system does not let a book be reached."""
    try:
        yield
    except OSError as error:
        why = error.strerror or error
        raise BookError(f"The lot book {path} cannot be reached: {why}. Check the path and its rights.") from None


def refuse_other_files(path: Path) -> None:
    """BookError for a folder or another file, before SQLite touches it."""
    with _reaching(path):
        if path.is_dir():
            raise BookError(f"{path} is a folder. Give the path of a file, such as {path / 'book.sqlite'}.")
        if path.exists() and path.stat().st_size:
            with path.open("rb") as handle:
                if handle.read(16) != b"SQLite format 3\0":
                    raise BookError(OTHER_FILE.format(place=path))


#: The tables of an SQLite database.
_TABLES = "SELECT name FROM sqlite_master WHERE type = 'table'"


def make_engine(url: URL, **options: Any) -> Engine:
    """An engine set up as the book needs it; `options` go to SQLAlchemy's create_engine for SQLite."""
    if url.get_backend_name() not in ("sqlite", "postgresql"):
        raise BookError(
            f"{url.get_backend_name()} is a kind of database that the lot book is not made for. "
            "Give a path for SQLite, or postgresql://USER@HOST/NAME."
        )
    if url.get_backend_name() == "postgresql":
        try:
            return sqlalchemy.create_engine(url, pool_pre_ping=True)
        except ImportError as error:
            raise BookError(
                f"The driver for this database is missing ({error.name}). "
                "Install it with: pip install 'colourmatch[postgres]'"
            ) from None
    if "creator" not in options:
        options["connect_args"] = {"timeout": BUSY_SECONDS}
    try:
        engine = sqlalchemy.create_engine(url, **options)
    except sqlalchemy.exc.ArgumentError:  # a host, where SQLite has none
        raise BookError("The address of the lot book is not one of a file. Give a path, such as lots.sqlite.") from None

    path = book_path(url)

    @event.listens_for(engine, "connect")
    def set_up(connection: Any, record: Any) -> None:
        connection.isolation_level = None  # transactions are opened below, not guessed by the driver
        connection.execute("PRAGMA foreign_keys = ON")
        # counts for a file without tables, and for VACUUM
        connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
        if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
            # A book that cannot have it (some network drives, read-only media) works without, more slowly; the database
            # of another program, which will be refused, keeps what it has.
            with suppress(sqlite3.OperationalError):
                names = {name for (name,) in connection.execute(_TABLES)}
                if not names or "lot_entries" in names:
                    connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        record.info["file"] = path and identify_file(path)  # which is there by now

    @event.listens_for(engine, "checkout")
    def stay_with_file(_connection: Any, record: Any, _proxy: Any) -> None:
        """Let none write into a file that no longer lies at its path: SQLite would lose it all."""
        now = path and identify_file(path)
        if path is not None and now is None:
            raise BookError(REMOVED.format(path=path))
        if now != record.info["file"]:
            raise DisconnectionError("another file lies there")  # the pool then connects to that one

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        # A writer asks for the lock at once; one that first reads could not wait for it.
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


REMOVED = (
    "The lot book {path} was moved or removed while it was open, and nothing was entered. Put it back there or restore "
    "the last backup, then enter it again."
)


def identify_file(path: Path) -> tuple[int, int] | None:
    """What tells a file from another one put in its place; None when there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def read_version(engine: Engine, path: Path | None) -> str | None:
    """The version of the book, None when the database is empty; BookError when it is another's or damaged."""
    with engine.connect() as connection:
        if engine.dialect.name == "sqlite":
            names = set(connection.exec_driver_sql(_TABLES).scalars())
            is_quick = names and path is not None and path.stat().st_size <= QUICK_CHECK_BYTES
            if is_quick and connection.exec_driver_sql("PRAGMA quick_check(1)").scalar() != "ok":
                raise BookError(DAMAGED.format(place=path))
        else:
            names = set(inspect(connection).get_table_names())
        if not names:
            return None
        if "alembic_version" not in names or "lot_entries" not in names:
            raise BookError(
                f"{path or 'This database'} holds other tables than a lot book's. Give the lot book an empty "
                "database or another path; this one is left as it is."
            )
        return str(connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar())


def _create(engine: Engine) -> None:
    """All tables and guards of the present version in one transaction; Alembic would be slow to start."""
    with write(engine) as connection:
        if engine.dialect.name == "postgresql":
            connection.exec_driver_sql(LOCK_BUILDING)
        tables.metadata.create_all(connection)  # another process may have been quicker: it then does nothing
        if connection.exec_driver_sql("SELECT count(*) FROM alembic_version").scalar() == 0:
            names = tuple(table.name for table in tables.HISTORY)
            for statement in tables.guard_statements(engine.dialect.name, names):
                connection.exec_driver_sql(statement)
            connection.execute(tables.version.insert(), {"version_num": tables.VERSION})


def _migrate(engine: Engine, found: str, path: Path | None, place: str) -> None:
    from colourmatch.book import migrate  # brings in Alembic

    refuse_unknown_version(found, place)
    if path is not None:
        _copy_beside(path, found)
    with write(engine) as connection:
        if engine.dialect.name == "postgresql":
            # Another station may start at the same time; whoever comes second then finds nothing to do.
            connection.exec_driver_sql(LOCK_BUILDING)
        refuse_unknown_version(migrate.upgrade(connection), place)
    engine.dispose()
    if path is not None:
        _give_back_room(path)


def _give_back_room(path: Path) -> None:
    """Write a book that was brought up to date closely into its file; where others have it open, or there is no room, it stays.

    The size of its pages can only be changed without a log beside it.
    """
    with suppress(sqlite3.Error), closing(sqlite3.connect(path, timeout=0)) as connection:
        try:
            if connection.execute("PRAGMA journal_mode = DELETE").fetchone()[0] == "delete":
                connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
                connection.execute("VACUUM")
        finally:
            connection.execute("PRAGMA journal_mode = WAL")


def refuse_unknown_version(found: str, place: str) -> None:
    """BookError for a book that is newer than this program, or of a version that never was."""
    if found > tables.VERSION:
        raise BookError(
            f"The lot book {place} is of version {found}, this program knows up to {tables.VERSION}. "
            "Update colourmatch, or give another book."
        )
    if found == tables.VERSION:
        return
    from colourmatch.book.migrate import STEPS  # brings in Alembic

    if found not in STEPS:
        raise BookError(
            f"The lot book {place} is of version {found}, which this program does not know. "
            "Give another book, or restore a backup."
        )


def _copy_beside(path: Path, found: str) -> None:
    """A whole copy of an older book next to it, through SQLite's own backup."""
    copy = path.with_name(f"{path.name}.before-{found}-{datetime.now(UTC):%Y%m%dT%H%M%S}")
    # several stations may upgrade one book at once: each writes a copy of its own
    partial = copy.with_name(name_partial())
    try:
        with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(partial)) as target:
            source.backup(target)
        os.replace(partial, copy)
    except (OSError, sqlite3.Error) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise BookError(
            f"The lot book {path} is of version {found}, and there is no copy of it before it is brought up to date: {why}. "
            "Make room beside it, then try again; it is as it was."
        ) from error
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)


@contextmanager
def write(engine: Engine) -> Iterator[Connection]:
    """A transaction that writes; it holds the lock from its start and is committed at the end.

    Its option `unsealed` takes the rows that are added, which get their hashes at its end (seals.py).
    """
    options: dict[str, Any] = {"writes": True, "unsealed": []}
    with engine.connect().execution_options(**options) as connection, connection.begin():
        yield connection
        path = book_path(engine.url)
        if path is not None and identify_file(path) != connection.info.get("file"):
            raise BookError(REMOVED.format(path=path))


DAMAGED = "The lot book {place} is damaged. Restore the last backup to a new path, and keep this file as it is."
OTHER_FILE = "{place} is not a lot book. Give another path; the file is left as it is."
SILENT = "The database {place} does not answer. Check that it runs and that the address is right."

#: what is looked for in the complaint -> the sentence; the first that fits is taken
_SENTENCES = {
    r"is locked|is busy|lock timeout": (
        "The lot book {place} is in use by another program. Close it there or wait, then try again."
    ),
    r"is full|No space left|could not extend file|disk I/O error|File too large": (
        "There is no room left to write the lot book {place}. Make room, then enter it again; nothing already "
        "entered is lost."
    ),
    r"readonly|read-only": (
        "The lot book {place} may only be read here. Change its rights, or give another path with --book."
    ),
    r"not a database": OTHER_FILE,
    r"unable to open": "The lot book {place} cannot be opened. Check the path and its rights.",
    r"malformed|corrupt|unsupported file format|could not decode|no such (table|column|collation)|foreign key mismatch|has no column": DAMAGED,
    r"authentication failed|no password supplied|role .* does not exist": (
        "The database {place} does not let this user in. Check the name and the password in the address."
    ),
    r"permission denied": "This user may not write the lot book {place}. Ask whoever keeps the database for the right.",
    r"database .* does not exist": "The database {place} does not exist. Create it first, or check the address.",
    r"connection|could not translate|failed to resolve|EOF detected|shutting down|starting up|recovery mode": SILENT,
}


@contextmanager
def speaking(place: str, when_silent: Callable[[], str] = str) -> Iterator[None]:
    """Raise BookError for what the user can mend; broken rules and faults of the program pass as they are.

    when_silent: what else is said where a server went away, as what became of an entry.
    """
    try:
        yield
    except IntegrityError:
        raise
    except (UnicodeDecodeError, json.JSONDecodeError) as error:  # texts of the book that are none any more
        raise BookError(DAMAGED.format(place=place)) from error
    except UnicodeEncodeError as error:  # half a sign, as a terminal hands on bytes that are no text
        raise InputError("A name or text holds a sign that cannot be kept. Type it again.") from error
    except (DBAPIError, sqlite3.Error) as error:
        complaint = str(getattr(error, "orig", error))
        said = (text for pattern, text in _SENTENCES.items() if re.search(pattern, complaint, re.IGNORECASE))
        if (text := next(said, None)) is None:  # a fault of the program
            raise
        what_became = when_silent() if text == SILENT else ""
        raise BookError(f"{text.format(place=place)} {what_became}".strip()) from error
