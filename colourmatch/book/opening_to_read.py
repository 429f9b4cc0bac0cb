"""Opens a lot book only to read it: nothing is made, nothing beside it is written; it knows no lots.

A book that is not there yet is an empty one. One in a place that may only be read is read as it lies there.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import URL, Engine
from sqlalchemy.exc import OperationalError
from sqlalchemy.pool import StaticPool

from colourmatch.book import opening, tables
from colourmatch.book.complaints import speaking
from colourmatch.errors import BookError
from colourmatch.writing import NO_ROOM

NO_BOOK = "There is no lot book at {place} yet."
READ_ONLY = "The lot book {place} may only be read here: nothing can be entered."
FULL = "The disk of the lot book {place} is full: nothing can be entered until there is room on it."
_LOG_BYTES = 65_536
_BEGIN = (
    " The first entry makes it, such as: colourmatch stock add red --colourant E129 --strength-g-per-100ml 1"
)
_OTHER = " Give another place with --book, or begin there with colourmatch stock add."


class Opened(NamedTuple):
    """An engine that only reads, whether there is a book yet, and a sentence about it, empty when all is as usual."""

    engine: Engine
    exists: bool
    note: str


def open_to_read(url: URL) -> Opened:
    """The book at `url`; BookError says in a sentence why it cannot be read."""
    path, place = opening.book_path(url), opening.place_of(url)
    if path is not None:
        if opening.is_absent(path):
            return _open_nothing(place)
        opening.refuse_other_files(path)
        if not may_write(path):
            engine = _open_as_it_lies(path)
            return Opened(engine, True, READ_ONLY.format(place=place)) if engine else _open_nothing(place)
    if path is None and _is_without_tables(url, place):
        return _open_nothing(place)
    try:  # an older one is brought up to date: it could not be read else
        return Opened(opening.open_engine(url), True, "")
    except BookError as error:
        if path is None or not is_without_room(path):
            raise
        engine = _open_as_it_lies(path, alone=True)
        if engine is None:
            raise error from None
        return Opened(engine, True, FULL.format(place=place))


def is_without_room(path: Path) -> bool:
    """Whether the disk of a book has no room for the log that SQLite writes beside it, even for a reader."""
    beside = path.with_name(f".room-{os.getpid()}")
    try:
        with beside.open("wb") as file:
            file.write(bytes(_LOG_BYTES))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        return error.errno in NO_ROOM
    finally:
        with suppress(OSError):
            beside.unlink()
    return False


def refuse_absent(place: str) -> None:
    """BookError for a place without a book: what was asked for needs one."""
    raise BookError(NO_BOOK.format(place=place) + _OTHER)


def may_write(path: Path) -> bool:
    """SQLite writes its log beside the file even for a reader: both must allow it."""
    return os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)


def tell_state(path: Path) -> tuple[int, ...] | None:
    """What changes when a book that may only be read is written elsewhere; None for one that may be written.

    One that is read as unchanging has to be opened again then: SQLite would mix old pages and new ones.
    """
    if opening.is_absent(path) or may_write(path):
        return None
    files = (path, path.with_name(f"{path.name}-wal"))
    found = [file.stat() for file in files if file.exists()]
    return tuple(part for one in found for part in (one.st_ino, one.st_mtime_ns, one.st_size))


def _is_without_tables(url: URL, place: str) -> bool:
    with speaking(place):
        engine = opening.make_engine(url)
        try:
            return opening.read_version(engine, None) is None
        finally:
            engine.dispose()


def _open_nothing(place: str) -> Opened:
    """An empty book in memory, closed to entries, which would be lost."""
    engine = opening.make_engine(URL.create("sqlite"), poolclass=StaticPool)
    with opening.write(engine) as connection:
        tables.metadata.create_all(connection)
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA query_only = ON")
    return Opened(engine, False, NO_BOOK.format(place=place) + _BEGIN)


def _open_as_it_lies(path: Path, alone: bool = False) -> Engine | None:
    """An engine that leaves file and folder as they are, None when the file holds no tables yet.

    mode=ro takes part in the log of a program that has the book open. Without such a log SQLite wants to make one;
    the file is then declared unchanging. Source: sqlite.org, "Write-Ahead Logging", read-only databases. alone: a log
    that nobody else has open may be read with its index in memory (there, "Use of WAL Without Shared-Memory").
    """
    log = path.with_name(f"{path.name}-wal")
    lone = not (log.exists() and log.stat().st_size)
    engine, found = _try_to_read(path, "mode=ro")
    if engine is None and lone:
        engine, found = _try_to_read(path, "mode=ro&immutable=1")
    if engine is None and alone:
        settings = "PRAGMA locking_mode = EXCLUSIVE", "PRAGMA query_only = ON"
        engine, found = _try_to_read(path, "mode=rw", *settings)
    if engine is None:
        raise BookError(
            f"The lot book {path} holds entries in {log.name} that cannot be read where nothing may be written. "
            "Copy both files to a folder of your own, and give that with --book."
        )
    if found is None:
        engine.dispose()
        return None
    opening.refuse_unknown_version(found, str(path))

    if found < tables.VERSION:
        engine.dispose()
        raise BookError(
            f"The lot book {path} is of version {found} and may only be read here, so that it cannot be brought to "
            f"version {tables.VERSION}. Copy it to a folder of your own, and give that with --book."
        )
    return engine


def _try_to_read(path: Path, way: str, *settings: str) -> tuple[Engine | None, str | None]:
    """An engine and the book's version; no engine when SQLite cannot open it in this way."""
    address = f"{path.absolute().as_uri()}?{way}"

    def connect() -> sqlite3.Connection:
        made = sqlite3.connect(address, uri=True, timeout=opening.BUSY_SECONDS, check_same_thread=False)
        for setting in settings:
            made.execute(setting)
        return made

    one = {"poolclass": StaticPool} if settings else {}
    engine = opening.make_engine(URL.create("sqlite", database=str(path)), creator=connect, **one)
    try:
        with speaking(str(path)):
            return engine, opening.read_version(engine, path)
    except BookError as error:
        engine.dispose()
        if isinstance(error.__cause__, (OperationalError, sqlite3.OperationalError)):
            return None, None
        raise
