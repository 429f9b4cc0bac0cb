"""The lot book: what was done to every lot, only ever added to; it knows no photo's pixels and no screen.

`open_book` finds or makes it, `read_book` only looks, `open_or_read_book` does what may be done. What is in it: stocks and references (shelf.py), lots (ledger.py), and what
happened to them (entering.py, correcting.py, trials.py). State is never stored: LotStory of entries.py derives it.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from platformdirs import user_data_path
from sqlalchemy.exc import IntegrityError

from colourmatch.book.archive import backup_book, check_book
from colourmatch.book.checks import check_one_of
from colourmatch.book.complaints import speaking
from colourmatch.book.export import CUT_OFF, export_json, import_json, snapshot
from colourmatch.book.opening import book_path, find_location, open_engine, parse_location, write
from colourmatch.book.opening_to_read import open_to_read, refuse_absent, tell_state
from colourmatch.book.photo_store import PhotoStore
from colourmatch.book.spreadsheet import export_csv
from colourmatch.book.trials import Trying
from colourmatch.errors import InputError

if TYPE_CHECKING:
    from sqlalchemy import URL

    from colourmatch.book.archive import BackupReport, Finding


class LotBook(Trying):
    """An open lot book; threads, processes and stations may use it at the same time."""

    #: What the user should know of the book as a whole; empty when all is as usual.
    note = ""
    #: Whether nothing can be entered, as in a place that may only be read.
    read_only = False
    #: Whether it was made by this opening.
    begun = False

    def __enter__(self) -> LotBook:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def export_json(self, stream: TextIO) -> int:
        """Write the whole book as JSON, one row a line, in bounded memory; the number of rows."""
        with speaking(self.place), snapshot(self._engine) as connection:
            return export_json(connection, stream)

    def import_json(self, stream: TextIO) -> int:
        """Read an export into this book, which must be empty; all of it or nothing."""
        try:
            with speaking(self.place), write(self._engine) as connection:
                return import_json(connection, stream)
        except IntegrityError:
            raise InputError(CUT_OFF) from None

    def export_csv(self, stream: TextIO, rows: str = "lots") -> int:
        """Write a table for spreadsheets, a row a lot, or a row an entry with `rows` "entries"."""
        check_one_of(rows, ("lots", "entries"), "rows")
        with speaking(self.place), snapshot(self._engine) as connection:
            return export_csv(connection, stream, rows)

    def backup(self, path: Path | str) -> BackupReport:
        """Write the database and all photos into one .zip, while the book is in use."""
        with speaking(self.place):
            return backup_book(self._engine, self.photo_store, Path(path))

    def check(self) -> list[Finding]:
        """What is wrong with the book and its photos; an empty list when all is well."""
        with speaking(self.place):
            return list(check_book(self._engine, self.photo_store))


def open_book(
    location: str | Path | None = None, *, make: bool = True, environ: Mapping[str, str] | None = None
) -> LotBook:
    """Open a lot book: a path or an SQLAlchemy URL. One that is not there is made, or refused without `make`.

    Without a location COLOURMATCH_BOOK is taken, else a per-user data folder. Photos lie beside a SQLite
    book, for a server in COLOURMATCH_PHOTOS (a folder that all stations see) or the per-user data folder.
    BookError says what is wrong with it and what to do.
    """
    surroundings = os.environ if environ is None else environ
    url = parse_location(find_location(location, surroundings))
    path = book_path(url)
    place = str(path or url.render_as_string(hide_password=True))
    begun: list[str] = []
    engine = open_engine(url, begun.append if make else refuse_absent)
    book = LotBook(engine, place, PhotoStore(find_photo_folder(url, surroundings)))
    book.begun = bool(begun)
    return book


def read_book(
    location: str | Path | None = None, *, needed: bool = False, environ: Mapping[str, str] | None = None
) -> LotBook:
    """Open a lot book only to read it: none is made, and one that may only be read is read as it lies there.

    Without a book yet it is an empty one that takes no entries, with `needed` a BookError. `note` of the book is a
    sentence about either, empty else.
    """
    surroundings = os.environ if environ is None else environ
    url = parse_location(find_location(location, surroundings))
    place = str(book_path(url) or url.render_as_string(hide_password=True))
    opened = open_to_read(url)
    if needed and not opened.exists:
        refuse_absent(place)
    book = LotBook(opened.engine, place, PhotoStore(find_photo_folder(url, surroundings)))
    book.note, book.read_only = opened.note, bool(opened.note)
    return book


def open_or_read_book(
    location: str | Path | None = None, *, environ: Mapping[str, str] | None = None
) -> LotBook:
    """Find or make a lot book, as `open_book` does; one that lies where nothing may be written is only read."""
    path = book_path(parse_location(find_location(location, environ)))
    look = path is not None and tell_state(path) is not None
    return read_book(location, environ=environ) if look else open_book(location, environ=environ)


def find_photo_folder(url: URL, environ: Mapping[str, str] | None = None) -> Path:
    """Where the photos lie: beside a SQLite book; for a server COLOURMATCH_PHOTOS or the data folder."""
    path = book_path(url)
    if path is not None:
        return path.with_name(f"{path.name}.photos")
    chosen = (os.environ if environ is None else environ).get("COLOURMATCH_PHOTOS", "").strip()
    if chosen:
        return Path(chosen).expanduser()

    safe = "".join(sign if sign.isalnum() else "-" for sign in str(url.database))
    return user_data_path("colourmatch", appauthor=False) / f"{safe}.photos"
