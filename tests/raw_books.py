"""Books as other programs see them: all that is in one as text, and its database without the program around it."""

import io
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from sqlalchemy import Connection

from colourmatch.book import opening
from colourmatch.book.lot_book import LotBook, open_book


def export_text(book: LotBook) -> str:
    """The whole book as its export."""
    stream = io.StringIO()
    book.archive.export_json(stream)
    return stream.getvalue()


def export_rows(book: LotBook) -> list:
    """All rows of the book."""
    return json.loads(export_text(book))["rows"]


def list_changes(book: LotBook, stock: str) -> list[str]:
    """The kinds of what was entered of a stock since it was made, in order."""
    own = book.stocks.get(stock).id
    rows = (row for table, row in export_rows(book) if table == "stock_entries")
    return [row["kind"] for row in rows if row["stock_id"] == own]


@contextmanager
def write_raw(location: str) -> Iterator[Connection]:
    """A transaction on a book of any version, SQLite or server."""
    engine = opening.make_engine(opening.parse_location(location))
    with opening.write(engine) as connection:
        yield connection
    engine.dispose()


def empty_database(location: str) -> None:
    """Throw away all that a database on a server holds."""
    with write_raw(location) as connection:
        connection.exec_driver_sql("DROP SCHEMA public CASCADE")
        connection.exec_driver_sql("CREATE SCHEMA public")


@contextmanager
def write_file(path: Path) -> Iterator[sqlite3.Connection]:
    """A transaction on a file of SQLite."""
    with closing(sqlite3.connect(path)) as raw, raw:
        yield raw


def begin_lot(path: Path) -> int:
    """A book with one stock and one lot, closed again; the id of the lot."""
    with open_book(path) as book:
        book.stocks.add("red", "E129", 1.0)
        return book.lots.begin("Aperitif", 900, "red").id
