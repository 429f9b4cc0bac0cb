"""The lot book: what was done to every lot, only ever added to; it knows no photo's pixels and no screen.

`open_book` finds or makes it, `read_book` only looks, `open_or_read_book` does what may be done. Its parts know the
database and not each other, and are loaded when they are first asked for: a list of lots waits for none of the others.
State is never stored: LotStory of entries.py derives it.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from functools import cached_property
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from platformdirs import user_data_path
from sqlalchemy import URL, Engine

from colourmatch.book.opening import (
    book_path,
    find_location,
    is_absent,
    open_engine,
    parse_location,
    place_of,
)
from colourmatch.book.opening_to_read import is_without_room, open_to_read, refuse_absent, tell_state
from colourmatch.book.photo_store import PhotoStore
from colourmatch.book.transactions import Database
from colourmatch.errors import BookError

if TYPE_CHECKING:
    from colourmatch.book.additions import Additions, Volumes
    from colourmatch.book.archive import Archive
    from colourmatch.book.calibrations import Calibrations
    from colourmatch.book.lot_entries import Entries
    from colourmatch.book.lots import Lots
    from colourmatch.book.photos import Photos
    from colourmatch.book.references import References
    from colourmatch.book.stocks import Stocks
    from colourmatch.book.trials import Trials


def _part(module: str, name: str) -> Any:
    """A part of the book, loaded and made when it is first asked for."""

    def make(book: LotBook) -> Any:
        made = getattr(import_module(f"colourmatch.book.{module}"), name)
        return made(book.database, book.photo_store)

    return cached_property(make)


class LotBook:
    """An open lot book: the database, the photo store, and a part for each thing that is written down.

    Threads, processes and stations may use it at the same time; use `open_book`, `read_book`, `open_or_read_book`.
    """

    #: What the user should know of the book as a whole; empty when all is as usual.
    note = ""
    #: Whether nothing can be entered, as in a place that may only be read.
    read_only = False
    #: Whether it was made by this opening.
    begun = False

    stocks: Stocks = _part("stocks", "Stocks")
    references: References = _part("references", "References")
    lots: Lots = _part("lots", "Lots")
    additions: Additions = _part("additions", "Additions")
    volumes: Volumes = _part("additions", "Volumes")
    photos: Photos = _part("photos", "Photos")
    entries: Entries = _part("lot_entries", "Entries")
    trials: Trials = _part("trials", "Trials")
    calibrations: Calibrations = _part("calibrations", "Calibrations")
    archive: Archive = _part("archive", "Archive")

    def __init__(self, engine: Engine, place: str, photo_store: PhotoStore) -> None:
        self.place = place
        self.photo_store = photo_store
        self.database = Database(engine, place)

    def __enter__(self) -> LotBook:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database; the book opens itself again when it is next used."""
        self.database.engine.dispose()


def open_book(
    location: str | Path | None = None, *, make: bool = True, environ: Mapping[str, str] | None = None
) -> LotBook:
    """Open a lot book: a path or an SQLAlchemy URL. One that is not there is made, or refused without `make`.

    Without a location COLOURMATCH_BOOK is taken, else a per-user data folder. Photos lie beside a SQLite
    book, for a server in COLOURMATCH_PHOTOS (a folder that all stations see) or the per-user data folder.
    BookError says what is wrong with it and what to do.
    """
    url = parse_location(find_location(location, environ))
    begun: list[str] = []
    engine = open_engine(url, begun.append if make else refuse_absent)
    book = LotBook(engine, place_of(url), PhotoStore(find_photo_folder(url, environ)))
    book.begun = bool(begun)
    return book


def read_book(
    location: str | Path | None = None, *, needed: bool = False, environ: Mapping[str, str] | None = None
) -> LotBook:
    """Open a lot book only to read it: none is made, and one that may only be read is read as it lies there.

    Without a book yet it is an empty one that takes no entries, with `needed` a BookError. `note` of the book is a
    sentence about either, empty else.
    """
    url = parse_location(find_location(location, environ))
    place, opened = place_of(url), open_to_read(url)
    if needed and not opened.exists:
        refuse_absent(place)
    book = LotBook(opened.engine, place, PhotoStore(find_photo_folder(url, environ)))
    book.note, book.read_only = opened.note, bool(opened.note)
    return book


def open_or_read_book(
    location: str | Path | None = None, *, environ: Mapping[str, str] | None = None
) -> LotBook:
    """Find or make a lot book, as `open_book` does; one where nothing may be written, or fits, is only read."""
    path = book_path(parse_location(find_location(location, environ)))
    if path is not None and tell_state(path) is not None:
        return read_book(location, environ=environ)
    try:
        return open_book(location, environ=environ)
    except BookError:
        if path is None or is_absent(path) or not is_without_room(path):
            raise
        return read_book(location, environ=environ)


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
