"""Finds stocks and references by what they are called, inside a transaction; it writes nothing."""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import Connection, select

from colourmatch.book import tables as t
from colourmatch.book.checks import name_key
from colourmatch.book.rows import read_references, read_stocks
from colourmatch.book.shelf_records import Reference, StockEntry
from colourmatch.book.transactions import near_names
from colourmatch.errors import ClosedError, NotFoundError

ADD_STOCK = "colourmatch stock add NAME --colourant E129 --strength-g-per-100ml 1.0"


def find_stock(connection: Connection, stock: str | int) -> StockEntry:
    """A stock by its name (the one in use) or its id; NotFoundError names the near ones, ClosedError: it is put away."""
    if isinstance(stock, bool) or not isinstance(stock, (str, int)):
        raise TypeError(f"a stock is given by name or id, got {stock!r}")
    if isinstance(stock, str):
        named = stocks_named(connection, stock)
        for found in named:
            if found.active:
                return found
        if named:
            raise ClosedError(f"The stock {stock!r} is put away. Add a new one with: {ADD_STOCK}")
    if str(stock).isdecimal() and (found_ids := read_stocks(connection, [min(int(stock), 2**31 - 1)])):
        return found_ids[0]
    near = near_names(str(stock), [known.name for known in read_stocks(connection)])
    raise NotFoundError(f"There is no stock {stock!r}.{near} Add one with: {ADD_STOCK}")


def stocks_named(connection: Connection, name: str) -> list[StockEntry]:
    """All bottles of a name, as they are called now, those put away too."""
    named = select(t.stocks.c.id).where(t.stocks.c.name_key == name_key(name))
    renamed = select(t.stock_entries.c.stock_id).where(t.stock_entries.c.name.is_not(None))
    found = read_stocks(connection, connection.scalars(named.union(renamed)).all())
    return [stock for stock in found if name_key(stock.name) == name_key(name)]


def is_same_stock(connection: Connection, stock: str | int) -> Callable[[int], bool]:
    """Whether a stock that is asked for is the one of an id, though it was renamed or put away since."""

    def is_it(stock_id: int) -> bool:
        first = select(t.stocks.c.name).where(t.stocks.c.id == stock_id)
        later = select(t.stock_entries.c.name).where(t.stock_entries.c.stock_id == stock_id)
        names = [name_key(name) for name in connection.scalars(first.union(later)) if name]
        return name_key(str(stock)) in (*names, str(stock_id))

    return is_it


def lock_shelf(connection: Connection) -> None:
    """Only one at a time may look whether a name is free; SQLite's writer is alone anyway."""
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql("LOCK TABLE stocks IN SHARE ROW EXCLUSIVE MODE")


def find_reference(connection: Connection, reference: str | int) -> Reference:
    """A reference by its id or its name (the newest of that name); NotFoundError names the near ones."""
    query = select(t.references).order_by(t.references.c.id.desc()).limit(1)
    if isinstance(reference, str):
        named = t.references.c.name_key == name_key(reference)
        if found := read_references(connection, query.where(named)):
            return found[0]
    if str(reference).isdecimal():
        by_id = t.references.c.id == min(int(reference), 2**31 - 1)
        if found := read_references(connection, query.where(by_id)):
            return found[0]
    near = near_names(str(reference), connection.scalars(select(t.references.c.name)))
    raise NotFoundError(
        f"There is no reference {reference!r}.{near} Note it with: colourmatch reference add NAME PHOTO"
    )
