"""The lot book: what was done to every lot, only ever added to; it knows no photo's pixels and no screen.

`open_book` finds or makes it. What is in it: stocks and references (shelf.py), lots (ledger.py), and what
happened to them (entering.py). State is never stored, it is derived from the entries (entries.py, LotStory).
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from colourmatch.lots.entering import Entering
from colourmatch.lots.opening import book_path, find_location, open_engine, parse_location
from colourmatch.lots.photos import PhotoStore


class LotBook(Entering):
    """An open lot book; threads, processes and stations may use it at the same time."""

    def __enter__(self) -> LotBook:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()


def open_book(location: str | Path | None = None, *, environ: Mapping[str, str] | None = None) -> LotBook:
    """Open a lot book, made when it is not there: a path or an SQLAlchemy URL.

    Without a location COLOURMATCH_BOOK is taken, else a per-user data folder. Photos lie beside a SQLite
    book, for a server in COLOURMATCH_PHOTOS (a folder that all stations see) or the per-user data folder.
    BookError says what is wrong with it and what to do.
    """
    surroundings = os.environ if environ is None else environ
    url = parse_location(find_location(location, surroundings))
    path = book_path(url)
    place = str(path or url.render_as_string(hide_password=True))
    engine = open_engine(url)
    return LotBook(engine, place, PhotoStore(_photo_folder(path, str(url.database), surroundings)))


def _photo_folder(path: Path | None, database: str, environ: Mapping[str, str]) -> Path:
    if chosen := environ.get("COLOURMATCH_PHOTOS", "").strip():
        return Path(chosen).expanduser()
    if path is not None:
        return path.with_name(f"{path.name}.photos")
    from platformdirs import user_data_path

    safe = "".join(sign if sign.isalnum() else "-" for sign in database)
    return user_data_path("colourmatch", appauthor=False) / f"{safe}.photos"
