"""Finds, opens, creates and migrates the database of a lot book; it knows no lots.

SQLAlchemy is imported inside the functions, Alembic only when an older book is migrated: a command that needs
no book does not pay for them.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy
from platformdirs import user_data_path
from sqlalchemy import URL, Connection, Engine, event, inspect, make_url
from sqlalchemy.exc import ArgumentError, DisconnectionError

from colourmatch.book import tables
from colourmatch.book.complaints import DAMAGED, OTHER_FILE, speaking
from colourmatch.errors import BookError
from colourmatch.writing import clear_left_over, name_partial

BUSY_SECONDS = 20
#: Above this size a whole check at every opening would be felt; `check` still reads it all.
QUICK_CHECK_BYTES = 20_000_000
#: Taken on a server while tables are made, until the transaction ends; the number only has to be its own.
LOCK_BUILDING = "SELECT pg_advisory_xact_lock(5310061)"
UNREACHABLE = "The lot book {path} cannot be reached: {why}. Check the path and its rights."
_HEADER = b"SQLite format 3\0"
#: Of a book that is made: a photo's row fills one page and a part of the next, which other rows share.
_PAGE_BYTES = 2048


def find_location(location: str | Path | None, environ: Mapping[str, str] | None = None) -> str:
    """Where the book is: the argument, else COLOURMATCH_BOOK, else the per-user data folder."""
    surroundings = os.environ if environ is None else environ
    chosen = str(location or surroundings.get("COLOURMATCH_BOOK") or "").strip()
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
        _prepare_file(path)
        clear_left_over(path.parent)
    with speaking(place):
        engine = make_engine(url)
        try:
            found = read_version(engine, path)
            if found is None:
                if not absent:
                    begin(place)
                _create(engine, place)
            elif found != tables.VERSION:
                _migrate(engine, found, path, place)
        except BaseException:
            engine.dispose()
            raise
    return engine


def _prepare_file(path: Path) -> None:
    """Make the folder, and refuse what is not a SQLite file."""
    with _reaching(path):
        path.parent.mkdir(parents=True, exist_ok=True)
    refuse_other_files(path)


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
        raise BookError(UNREACHABLE.format(path=path, why=error.strerror or error)) from None


def refuse_other_files(path: Path) -> None:
    """BookError for a folder or another file, before SQLite touches it."""
    with _reaching(path):
        if path.is_dir():
            raise BookError(f"{path} is a folder. Give the path of a file, such as {path / 'book.sqlite'}.")
        if path.exists() and path.stat().st_size:
            with path.open("rb") as handle:
                if handle.read(16) != _HEADER:
                    raise BookError(OTHER_FILE.format(place=path))


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
        raise BookError(
            "The address of the lot book is not one of a file. Give a path, such as lots.sqlite."
        ) from None

    @event.listens_for(engine, "connect")
    def set_up(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # transactions are opened below, not guessed by the driver
        connection.execute("PRAGMA foreign_keys = ON")
        # counts for a file without tables, and for VACUUM
        connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
        if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
            # A book that cannot have it (some network drives, read-only media) works without, more slowly.
            with suppress(sqlite3.OperationalError):
                connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")

    _stay_with_file(engine, book_path(url))

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


def _stay_with_file(engine: Engine, path: Path | None) -> None:
    """Let no connection write into a file that no longer lies at its path: SQLite would go on and lose it all."""
    if path is None:
        return

    @event.listens_for(engine, "connect")
    def remember(_connection: Any, record: Any) -> None:
        record.info["file"] = identify_file(path)

    @event.listens_for(engine, "checkout")
    def compare(_connection: Any, record: Any, _proxy: Any) -> None:
        now = identify_file(path)
        if now is None:
            raise BookError(REMOVED.format(path=path))
        if now != record.info["file"]:
            raise DisconnectionError("another file lies there")  # the pool then connects to that one


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
            query = "SELECT name FROM sqlite_master WHERE type = 'table'"
            names = set(connection.exec_driver_sql(query).scalars())
            if names and path is not None and path.stat().st_size <= QUICK_CHECK_BYTES:
                verdict = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar()
                if verdict != "ok":
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


def _create(engine: Engine, place: str) -> None:
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
    refuse_unknown_version(found, place)
    from colourmatch.book import migrate  # brings in Alembic

    if path is not None:
        _copy_beside(path, found)
    with write(engine) as connection:
        if engine.dialect.name == "postgresql":
            # Another station may start at the same time; whoever comes second then finds nothing to do.
            connection.exec_driver_sql(LOCK_BUILDING)
        migrate.upgrade(connection)
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
    from colourmatch.book import migrate  # brings in Alembic

    if not migrate.knows(found):
        raise BookError(
            f"The lot book {place} is of version {found}, which this program does not know. "
            "Give another book, or restore a backup."
        )


def _copy_beside(path: Path, found: str) -> Path:
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
    return copy


@contextmanager
def write(engine: Engine) -> Iterator[Connection]:
    """A transaction that writes; it holds the lock from its start and is committed at the end."""
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        yield connection
        path = book_path(engine.url)
        if path is not None and identify_file(path) != connection.info.get("file"):
            raise BookError(REMOVED.format(path=path))
