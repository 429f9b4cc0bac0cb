"""What lots, stocks and references are called now, and what a text means; it writes nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from sqlalchemy import Connection, func, or_, select

from colourmatch.book import tables as t
from colourmatch.book.checks import name_key, near_names
from colourmatch.book.entries import Lot
from colourmatch.book.rows import read_lot, read_lots, read_references, read_stocks
from colourmatch.book.shelf_records import Reference, StockEntry
from colourmatch.errors import ClosedError, InputError, NotFoundError

_NAMES_LOOKED_AT = 2000


def find_renamed(connection: Connection) -> list[Lot]:
    """The lots whose name or number was put right, as they are called now."""
    told = or_(t.amendments.c.changes.contains('"name": '), t.amendments.c.changes.contains('"number": '))
    ids = select(t.lot_entries.c.lot_id).join(t.amendments).where(told)
    return read_lots(connection, select(t.lots).where(t.lots.c.id.in_(ids)))


def read_meanings(connection: Connection, text: str) -> dict[int, str]:
    """The lots that a text can mean, each with how: "id", "number" or "name"; capitals do not matter.

    L and an id mean that id. Digits with zeros before them mean an id only where they mean nothing else.
    """
    key = name_key(text)
    lot_id = _id_of(key)
    number = t.lots.c.number
    # lower() may fold these otherwise than `name_key`; SQLite's own pattern is not asked in Python
    is_sqlite = connection.dialect.name == "sqlite"
    beyond_ascii = number.op("GLOB")("*[^ -~]*") if is_sqlite else number.regexp_match("[^ -~]")
    by_number = or_(func.lower(number) == key, number.contains("  "), beyond_ascii)
    wanted = or_(t.lots.c.id == (lot_id or 0), t.lots.c.name_key == key, by_number)
    found = {lot.id: lot for lot in read_lots(connection, select(t.lots).where(wanted))}
    found |= {lot.id: lot for lot in find_renamed(connection)}
    meant = {lot.id: how for lot in found.values() if (how := _how(lot, key))}
    if lot_id in found and (str(lot_id) == key.removeprefix("l") or not meant):
        meant[lot_id] = "id"
    return dict(sorted(meant.items(), reverse=True))


def _id_of(key: str) -> int | None:
    digits = key.removeprefix("l")
    return int(digits) if digits.isdecimal() and len(digits) < 10 else None


def _how(lot: Lot, key: str) -> str:
    if lot.number is not None and name_key(lot.number) == key:
        return "number"
    return "name" if name_key(lot.name) == key else ""


def choose_meaning(connection: Connection, text: str) -> int | None:
    """The id of the only lot that a text means, None when it means none; InputError lists what it can mean."""
    meant = read_meanings(connection, text)
    if len(meant) < 2:
        return next(iter(meant), None)
    if set(meant.values()) == {"name"}:
        listed = ", ".join(str(lot_id) for lot_id in list(meant)[:5])
        raise InputError(f"{len(meant)} lots are called {text!r}. Give the id of one of them: {listed}.")
    listed = " or ".join(f"lot {lot_id} (its {how})" for lot_id, how in sorted(meant.items()))
    ways = ", ".join(f"{_way_to(connection, lot_id)} for lot {lot_id}" for lot_id in sorted(meant))
    raise InputError(
        f"{text!r} can mean {listed}. Give {ways}, or give one of them another number or name: "
        "colourmatch lot correct LOT --number NUMBER --reason 'two lots of one number'"
    )


def _way_to(connection: Connection, lot_id: int) -> str:
    """A text that means this lot only; its id, where none does."""
    lot = read_lot(connection, lot_id)
    ways = [str(lot_id), f"L{lot_id}", lot.number, lot.name]
    alone = (way for way in ways if way and list(read_meanings(connection, way)) == [lot_id])
    return next(alone, str(lot_id))


def refuse_taken(connection: Connection, text: str, what: str, lot_id: int | None = None) -> None:
    """InputError for a name or number (`what`) that means another lot already; names may be those of several lots."""
    for other, how in read_meanings(connection, text).items():
        if other != lot_id and (what, how) != ("name", "name"):
            raise InputError(
                f"{text!r} is the {how} of lot {other} already, and no name may mean two lots. Give another {what}."
            )


def next_lot_id(connection: Connection) -> int:
    """The id of the next lot; one that is a number or a name of another lot, as it is or behind an L, is left out."""
    server = connection.dialect.name == "postgresql"
    lot_id = 0 if server else int(connection.scalar(select(func.max(t.lots.c.id))) or 0)
    while True:
        lot_id = int(connection.scalar(_NEXT) or 0) if server else lot_id + 1
        if not read_meanings(connection, str(lot_id)) and not read_meanings(connection, f"L{lot_id}"):
            return lot_id


_NEXT = select(func.nextval(func.pg_get_serial_sequence("lots", "id")))


def lock_names(connection: Connection, table: str) -> None:
    """Only one at a time may look whether a name is free; SQLite's writer is alone anyway."""
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"LOCK TABLE {table} IN SHARE ROW EXCLUSIVE MODE")


def find_doubles(connection: Connection) -> Iterator[tuple[str, dict[int, str]]]:
    """The texts that mean two lots, in an older book, each with the lots and how; two lots of one name are none."""
    columns = select(t.lots.c.id, t.lots.c.name, t.lots.c.number).order_by(t.lots.c.id)
    called = {row.id: (row.name, row.number) for row in connection.execute(columns)}
    called |= {lot.id: (lot.name, lot.number) for lot in find_renamed(connection)}
    meant: dict[str, dict[int, str]] = {}
    for lot_id, pair in called.items():
        for text, how in zip(pair, ("name", "number"), strict=True):
            if text is not None:
                meant.setdefault(name_key(text), {})[lot_id] = how
    for key, lots in meant.items():
        lot_id = _id_of(key)
        if lot_id is not None and lot_id in called and str(lot_id) == key.removeprefix("l"):
            lots[lot_id] = "id"
        if len(lots) > 1 and set(lots.values()) != {"name"}:
            yield key, lots


def find_lot_id(connection: Connection, lot: int | str, *, lock: bool = False) -> int:
    """The id of a lot; `lock` keeps other stations from writing to it until this transaction ends."""
    if isinstance(lot, bool) or not isinstance(lot, (int, str)):
        raise TypeError(f"a lot is given by id, number or name, got {lot!r}")
    if isinstance(lot, str):
        lot_id = choose_meaning(connection, lot.strip())
    else:  # a server's ids have 32 bits and it complains about more
        found = select(t.lots.c.id).where(t.lots.c.id == lot)
        lot_id = connection.scalar(found) if 0 < lot < 2**31 else None
    if lot_id is None:
        text = str(lot).strip()
        raise NotFoundError(
            f"There is no lot {text!r}.{_tell_near(connection, text)} See: colourmatch lot list, or begin one with: "
            "colourmatch lot new --name NAME --volume-ml 900 --stock STOCK"
        )
    if lock and connection.dialect.name != "sqlite":
        connection.execute(select(t.lots.c.id).where(t.lots.c.id == lot_id).with_for_update())
    return int(lot_id)


def find_lot(connection: Connection, lot: int | str) -> Lot:
    """A lot by its id, its number, or its name as they are now; NotFoundError names near ones.

    InputError when a text can mean several lots: it lists them.
    """
    return read_lot(connection, find_lot_id(connection, lot))


def _tell_near(connection: Connection, text: str) -> str:
    """The lots that are called nearly so, the latest ones."""
    recent = select(t.lots.c.id, t.lots.c.name, t.lots.c.number).order_by(t.lots.c.id.desc())
    called = {row.id: (row.name, row.number) for row in connection.execute(recent.limit(_NAMES_LOOKED_AT))}
    called |= {lot.id: (lot.name, lot.number) for lot in find_renamed(connection) if lot.id in called}
    known = {name: name for name, _ in called.values()}
    return near_names(text, known | {str(n): f"{n} ({name})" for name, n in called.values() if n})


ADD_STOCK = "colourmatch stock add NAME --colourant E129 --strength-g-per-100ml 1.0"


def find_stock(connection: Connection, stock: str | int) -> StockEntry:
    """A stock by its name (the one in use) or its id; NotFoundError names the near ones.

    ClosedError when the only one of that name is put away; its id still finds it.
    """
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


EXAMPLE_NUMBER, EXAMPLE_STOCK = "EXAMPLE", "example red"


def is_example(lot: Lot) -> bool:
    """Whether a lot, or the trial of one, is the invented kitchen's: nothing else is tinted with its stock."""
    return EXAMPLE_STOCK in lot.stocks


def leave_out_example(shelf: Iterable[StockEntry], own: Iterable[str] = ()) -> list[StockEntry]:
    """The stocks that a lot with these `own` ones may be tinted with: the example's has its own alone, no other has that."""
    inside = EXAMPLE_STOCK in own
    return [stock for stock in shelf if (stock.name == EXAMPLE_STOCK) is inside]
