"""The lot book: what was done to every lot, only ever added to; it knows no photo's pixels and no screen.
Its parts know the database and not each other.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import suppress
from pathlib import Path

from platformdirs import user_data_path
from sqlalchemy import URL, Engine
from sqlalchemy.exc import OperationalError
from sqlalchemy.pool import StaticPool

from colourmatch.book import opening, tables
from colourmatch.book.additions import Additions, Volumes
from colourmatch.book.archive import Archive
from colourmatch.book.calibrations import Calibrations
from colourmatch.book.lot_entries import Entries, Photos
from colourmatch.book.lots import Lots
from colourmatch.book.opening import book_path, find_location, is_absent, parse_location, place_of, speaking
from colourmatch.book.photo_store import PhotoStore
from colourmatch.book.references import References
from colourmatch.book.stocks import Stocks
from colourmatch.book.transactions import Database
from colourmatch.book.trials import Trials
from colourmatch.errors import BookError
from colourmatch.files import NO_ROOM


class LotBook:
    """An open lot book (`open_book`); threads, processes and stations may use it at the same time."""

    #: What the user should know of the book as a whole; empty when all is as usual.
    note = ""
    #: Whether nothing can be entered, as in a place that may only be read.
    read_only = False
    #: Whether it was made by this opening.
    begun = False

    def __init__(self, engine: Engine, url: URL) -> None:
        self.place = place_of(url)
        self.photo_store = PhotoStore(find_photo_folder(url))
        self.database = Database(engine, self.place)
        shared = self.database, self.photo_store
        self.stocks, self.references = Stocks(*shared), References(*shared)
        self.lots, self.entries, self.photos = Lots(*shared), Entries(*shared), Photos(*shared)
        self.additions, self.volumes, self.trials = Additions(*shared), Volumes(*shared), Trials(*shared)
        self.calibrations, self.archive = Calibrations(*shared), Archive(*shared)

    def __enter__(self) -> LotBook:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database; the book opens itself again when it is next used."""
        self.database.engine.dispose()


def open_book(location: str | Path | None = None, *, make: bool = True) -> LotBook:
    """Open a lot book: a path or an SQLAlchemy URL. One that is not there is made, or refused without `make`.

    Without a location COLOURMATCH_BOOK is taken, else a per-user data folder. Photos lie beside a SQLite
    book, for a server in COLOURMATCH_PHOTOS (a folder that all stations see) or the per-user data folder.
    BookError says what is wrong with it and what to do.
    """
    url = parse_location(find_location(location))
    begun: list[str] = []
    engine = opening.open_engine(url, begun.append if make else _refuse_absent)
    book = LotBook(engine, url)
    book.begun = bool(begun)
    return book


def read_book(location: str | Path | None = None, *, needed: bool = False) -> LotBook:
    """Open a lot book only to read it: none is made, and one that may only be read is read as it lies there.

    Without a book yet it is an empty one that takes no entries, with `needed` a BookError. `note` of the book is a
    sentence about either, empty else.
    """
    url, note = parse_location(find_location(location)), ""
    path = book_path(url)
    if path is not None:
        opening.refuse_other_files(path)
    try:
        if path is not None and tell_state(path) is not None:
            engine, note = _open_as_it_lies(path), _READ_ONLY
        else:  # an older one is brought up to date: it could not be read else
            engine = opening.open_engine(url, _refuse_absent)
    except _NoBookError:
        if needed:
            raise
        engine, note = _open_nothing(), _NO_BOOK + _BEGIN
    except BookError as error:
        if path is None or not is_without_room(path):
            raise
        try:
            engine, note = _open_as_it_lies(path, alone=True), _FULL
        except _NoBookError:
            raise error from None
    book = LotBook(engine, url)
    book.note, book.read_only = note.format(place=book.place), bool(note)
    return book


def open_or_read_book(location: str | Path | None = None) -> LotBook:
    """Find or make a lot book, as `open_book` does; one where nothing may be written, or fits, is only read."""
    path = book_path(parse_location(find_location(location)))
    try:
        if path is None or tell_state(path) is None:
            return open_book(location)
    except BookError:
        if path is None or is_absent(path) or not is_without_room(path):
            raise
    return read_book(location)


def find_photo_folder(url: URL) -> Path:
    """Where the photos lie: beside a SQLite book; for a server COLOURMATCH_PHOTOS or the data folder."""
    path = book_path(url)
    if path is not None:
        return path.with_name(f"{path.name}.photos")
    chosen = os.environ.get("COLOURMATCH_PHOTOS", "").strip()
    if chosen:
        return Path(chosen).expanduser()
    safe = "".join(sign if sign.isalnum() else "-" for sign in str(url.database))
    return user_data_path("colourmatch", appauthor=False) / f"{safe}.photos"


_NO_BOOK = "There is no lot book at {place} yet."
_BEGIN = " The first entry makes it, such as: colourmatch stock add red --colourant E129 --strength-g-per-100ml 1"
_READ_ONLY = "The lot book {place} may only be read here: nothing can be entered."
_FULL = "The disk of the lot book {place} is full: nothing can be entered until there is room on it."
_LOG_BYTES = 65_536


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


class _NoBookError(BookError):
    """There is no book yet."""


def _refuse_absent(place: str) -> None:
    other = " Give another place with --book, or begin there with colourmatch stock add."
    raise _NoBookError(_NO_BOOK.format(place=place) + other)


def may_write(path: Path) -> bool:
    """SQLite writes its log beside the file even for a reader: both must allow it."""
    return os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)


def tell_state(path: Path) -> tuple[int, ...] | None:
    """What changes when a book that may only be read is written elsewhere; None for one that may be written.

    One that is read as unchanging has to be opened again then: SQLite would mix old pages and new ones.
    """
    if is_absent(path) or may_write(path):
        return None
    files = (path, path.with_name(f"{path.name}-wal"))
    found = [file.stat() for file in files if file.exists()]
    return tuple(part for one in found for part in (one.st_ino, one.st_mtime_ns, one.st_size))


def _open_nothing() -> Engine:
    """An empty book in memory, closed to entries, which would be lost."""
    engine = opening.make_engine(URL.create("sqlite"), poolclass=StaticPool)
    with opening.write(engine) as connection:
        tables.metadata.create_all(connection)
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA query_only = ON")
    return engine


def _open_as_it_lies(path: Path, alone: bool = False) -> Engine:
    """An engine that leaves file and folder as they are; BookError when the file holds no tables yet.

    mode=ro takes part in the log of a program that has the book open. Without such a log SQLite wants to make one;
    the file is then declared unchanging. Source: sqlite.org, "Write-Ahead Logging", read-only databases. alone: a log
    that nobody else has open may be read with its index in memory (there, "Use of WAL Without Shared-Memory").
    """
    log = path.with_name(f"{path.name}-wal")
    ways: list[tuple[str, ...]] = [("mode=ro",)]
    if not (log.exists() and log.stat().st_size):
        ways.append(("mode=ro&immutable=1",))
    if alone:
        ways.append(("mode=rw", "PRAGMA locking_mode = EXCLUSIVE", "PRAGMA query_only = ON"))
    opened = next(filter(None, (_try_to_read(path, *way) for way in ways)), None)
    if opened is None:
        raise BookError(
            f"The lot book {path} holds entries in {log.name} that cannot be read where nothing may be written. "
            "Copy both files to a folder of your own, and give that with --book."
        )
    engine, found = opened
    if found != tables.VERSION:
        engine.dispose()
        if found is None:
            _refuse_absent(str(path))
        opening.refuse_unknown_version(str(found), str(path))
        raise BookError(
            f"The lot book {path} is of version {found} and may only be read here, so that it cannot be brought to "
            f"version {tables.VERSION}. Copy it to a folder of your own, and give that with --book."
        )
    return engine


def _try_to_read(path: Path, way: str, *settings: str) -> tuple[Engine, str | None] | None:
    """An engine and the book's version; None when SQLite cannot open it in this way."""
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
            return None
        raise
