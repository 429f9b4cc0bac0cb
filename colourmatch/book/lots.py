"""Heads of lots and the finding of them; what happens to a lot is in entering.py."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, NoReturn

from sqlalchemy import and_, func, or_, select

from colourmatch.book import tables as t
from colourmatch.book.checks import (
    check_colourant,
    check_jurisdiction,
    check_lab,
    check_name,
    check_number,
    check_optional,
    check_serving,
    check_text,
    name_key,
    to_json,
    utc_text,
)
from colourmatch.book.entries import AdditionEntry, Lot, LotStory
from colourmatch.book.naming import choose_meaning, find_renamed, lock_names, next_lot_id, refuse_taken
from colourmatch.book.rows import count, is_open, read_events, read_lots, read_stocks, still_closed
from colourmatch.book.stocks import Shelf
from colourmatch.book.transactions import find_token, insert, near_names, refuse_other
from colourmatch.errors import InputError, NotFoundError

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from colourmatch.book.rows import Query
    from colourmatch.liquid.stock import BatchState

NEW_LOT = "colourmatch lot new --name NAME --volume-ml 900 --stock STOCK"
_NAMES_LOOKED_AT = 2000


class Ledger(Shelf):
    """Heads of the lots of an open book."""

    def new_lot(
        self,
        name: str,
        volume_ml: float,
        stocks: Sequence[str | int] | str,
        *,
        ceiling_mg_per_l: float | None = None,
        depth_mm: float = 10.0,
        dilution: float = 1.0,
        tolerance: float = 1.5,
        already_mg_per_l: float = 0.0,
        already_colourant: str | None = None,
        jurisdiction: str | None = None,
        reference: str | int | None = None,
        target_lab: Sequence[float] | None = None,
        notes: str = "",
        serving: dict[str, Any] | None = None,
        number: str | None = None,
        entered_by: str | None = None,
        token: str | None = None,
    ) -> Lot:
        """Begin a lot; `stocks` are names or ids in the order of use, the first is the main one.

        `dilution` 5: 1 part of liquid made up to 5 with water, both glasses alike. `target_lab` is a colour
        (D65, 2 degrees) entered by hand. InputError for a figure that is not possible, NotFoundError for a
        stock or a reference that does not exist.
        """
        target = check_lab(target_lab) or (None, None, None)
        values: dict[str, Any] = {
            "name": check_name(name, "name of the lot"),
            "name_key": name_key(name),
            "number": None if number is None else check_name(number, "number of the lot"),
            "volume_ml": check_number("volume_ml", volume_ml),
            "ceiling_mg_per_l": check_optional("ceiling_mg_per_l", ceiling_mg_per_l),
            "depth_mm": check_number("depth_mm", depth_mm),
            "dilution": check_number("dilution", dilution),
            "tolerance": check_number("tolerance", tolerance),
            "already_mg_per_l": check_number("already_mg_per_l", already_mg_per_l),
            "already_colourant": check_colourant(already_colourant),
            "jurisdiction": check_jurisdiction(jurisdiction),
            "reference_id": None if reference is None else self.find_reference(reference).id,
            "notes": check_text(notes, "notes"),
            "serving": to_json(check_serving(serving)),
            **dict(zip(("target_l", "target_a", "target_b"), target, strict=True)),
        }

        def act(connection: Connection) -> int:
            if (known := find_token(connection, t.lots, token)) is not None:
                self._refuse_other_lot(connection, known, values, stocks)
                return int(known["id"])
            stock_ids = self._stock_ids(connection, stocks)
            lot_id = self._begin_lot(connection, entered_by=entered_by, token=token, **values)
            for position, stock_id in enumerate(stock_ids):
                row = {"lot_id": lot_id, "position": position, "stock_id": stock_id}
                connection.execute(t.lot_stocks.insert(), row)
            return lot_id

        return self.find_lot(self._write(act))

    def _refuse_other_lot(
        self, connection: Connection, known: Any, values: dict[str, Any], stocks: Sequence[str | int] | str
    ) -> None:
        """InputError when a lot found by its token was begun with other figures or stocks."""
        # a number that was another lot's before stands in an amendment
        asked = {
            key: value for key, value in values.items() if key != "number" or known["number"] is not None
        }
        place = t.lot_stocks.c
        begun = select(place.stock_id).where(place.lot_id == known["id"]).order_by(place.position)
        ids = self._stock_ids(connection, stocks)
        refuse_other({**known, "stocks": list(connection.scalars(begun))}, {**asked, "stocks": ids})

    def _stock_ids(self, connection: Connection, stocks: Sequence[str | int] | str) -> list[int]:
        chosen = [stocks] if isinstance(stocks, (str, int)) else list(stocks)
        if not chosen:
            raise InputError("A lot needs at least one stock. Name it with --stock.")
        found = [self._stock(connection, stock) for stock in chosen]
        return list(dict.fromkeys(stock.id for stock in found))

    def find_lot(self, lot: int | str) -> Lot:
        """A lot by its id, its number, or its name as they are now; NotFoundError names near ones.

        InputError when a text can mean several lots: it lists them.
        """
        with self._read() as connection:
            lot_id = self._lot_id(connection, lot)
            return read_lots(connection, select(t.lots).where(t.lots.c.id == lot_id))[0]

    def list_lots(
        self, search: str | None = None, *, open_only: bool = False, limit: int = 50, offset: int = 0
    ) -> list[Lot]:
        """Lots, the newest first; `search` is a part of the name or of the number, capitals or not."""
        if limit < 0 or offset < 0:
            raise ValueError(f"limit and offset must not be negative, got {limit} and {offset}")
        with self._read() as connection:
            page = self._chosen(connection, search, open_only).order_by(t.lots.c.id.desc())
            page = page.limit(limit).offset(offset)
            ids = connection.scalars(page).all()
            query = select(t.lots).where(t.lots.c.id.in_(ids)).order_by(t.lots.c.id.desc())
            return read_lots(connection, query)

    def count_lots(self, search: str | None = None, *, open_only: bool = False) -> int:
        """How many lots `list_lots` would give without a limit."""
        with self._read() as connection:
            return count(connection, self._chosen(connection, search, open_only))

    def list_closed(
        self,
        search: str | None = None,
        *,
        stock: str | int | None = None,
        reference: str | int | None = None,
        limit: int = 50,
    ) -> list[Lot]:
        """The lots closed last, trials left out, in the order of closing; of a stock (all bottles of its name) or a reference.

        NotFoundError for a stock or a reference that does not exist.
        """
        with self._read() as connection:
            newest = self._chosen(connection, search, False).add_columns(t.closings.c.entry_id)
        newest = newest.join(t.closings, t.closings.c.lot_id == t.lots.c.id)
        newest = newest.where(still_closed())
        newest = newest.where(t.lots.c.trial_of.is_(None))  # a trial is no lot to be compared with lots
        wanted = None if reference is None else self.find_reference(reference).id
        if wanted is not None:
            # A reference chosen later is an amendment; an outdated amendment is dropped below.
            told = or_(*(t.amendments.c.changes.contains(f'"reference_id": {wanted}{end}') for end in ",}"))
            amended = select(t.lot_entries.c.lot_id).join(t.amendments).where(told)
            newest = newest.where(or_(t.lots.c.reference_id == wanted, t.lots.c.id.in_(amended)))
        with self._read() as connection:
            if stock is not None:
                named = self._named(connection, stock) if isinstance(stock, str) else []
                bottles = [s.id for s in named or [self._stock(connection, stock)]]
                of_stock = select(t.lot_stocks.c.lot_id).where(t.lot_stocks.c.stock_id.in_(bottles))
                newest = newest.where(t.lots.c.id.in_(of_stock))
            newest = newest.order_by(t.closings.c.entry_id.desc()).limit(limit)
            ids = connection.scalars(newest).all()
            found = {lot.id: lot for lot in read_lots(connection, select(t.lots).where(t.lots.c.id.in_(ids)))}
        return [found[i] for i in reversed(ids) if wanted is None or found[i].reference_id == wanted]

    def _chosen(self, connection: Connection, search: str | None, open_only: bool) -> Query:
        query = select(t.lots.c.id)
        if search and search.strip():
            key = name_key(search)
            by_number = func.lower(t.lots.c.number).contains(key, autoescape=True)
            found = or_(t.lots.c.name_key.contains(key, autoescape=True), by_number)
            renamed = {lot.id: (lot.name, lot.number or "") for lot in find_renamed(connection)}
            hits = [lot_id for lot_id, called in renamed.items() if any(key in name_key(c) for c in called)]
            query = query.where(or_(and_(t.lots.c.id.not_in(renamed), found), t.lots.c.id.in_(hits)))
        return query.where(is_open()) if open_only else query

    def lot_story(self, lot: int | str, at: datetime | str | None = None) -> LotStory:
        """A lot with all its entries in order, as the book stood at a time (now when None)."""
        with self._read() as connection:
            moment = None if at is None else utc_text(at)
            return self._story(connection, self._lot_id(connection, lot), moment)

    def lot_state(self, lot: int | str, at: datetime | str | None = None) -> BatchState:
        """Volume and colour of the batch at a time (now when None), strengths by the labels."""
        return self.lot_story(lot, at).state()

    def _story(self, connection: Connection, lot_id: int, at: str | None = None) -> LotStory:
        found = read_lots(connection, select(t.lots).where(t.lots.c.id == lot_id), at)[0]
        events = tuple(read_events(connection, [lot_id], at=at)[lot_id])
        declared = select(t.lot_stocks.c.stock_id).where(t.lot_stocks.c.lot_id == lot_id)
        used = {entry.stock_id for entry in events if isinstance(entry, AdditionEntry)}  # declared or not
        ids = used.union(connection.scalars(declared))
        return LotStory(found, events, tuple(read_stocks(connection, ids)))

    def _lot_id(self, connection: Connection, lot: int | str, *, lock: bool = False) -> int:
        """The id of a lot; `lock` keeps other stations from writing to it until this transaction ends."""
        if isinstance(lot, bool) or not isinstance(lot, (int, str)):
            raise TypeError(f"a lot is given by id, number or name, got {lot!r}")
        lot_id = (
            self._known_id(connection, lot)
            if isinstance(lot, int)
            else choose_meaning(connection, lot.strip())
        )
        if lot_id is None:
            self._refuse_unknown(connection, str(lot).strip())
        if lock and connection.dialect.name != "sqlite":
            connection.execute(select(t.lots.c.id).where(t.lots.c.id == lot_id).with_for_update())
        return int(lot_id or 0)

    def _refuse_unknown(self, connection: Connection, text: str) -> NoReturn:
        recent = select(t.lots.c.id, t.lots.c.name, t.lots.c.number).order_by(t.lots.c.id.desc())
        called = {
            row.id: (row.name, row.number) for row in connection.execute(recent.limit(_NAMES_LOOKED_AT))
        }
        called |= {lot.id: (lot.name, lot.number) for lot in find_renamed(connection) if lot.id in called}
        known = {name: name for name, _ in called.values()}
        known |= {str(n): f"{n} ({name})" for name, n in called.values() if n}
        near = near_names(text, known)
        raise NotFoundError(
            f"There is no lot {text!r}.{near} See: colourmatch lot list, or begin one with: {NEW_LOT}"
        )

    def _begin_lot(self, connection: Connection, **values: Any) -> int:
        """Add the head of a lot under an id that means no other lot; InputError for a name or number that does."""
        lock_names(connection)
        for what in ("name", "number"):
            if values.get(what) is not None:
                refuse_taken(connection, values[what], what)
        number = values.get("number")
        freed = number is not None and bool(
            connection.scalar(select(t.lots.c.id).where(t.lots.c.number == number))
        )
        lot_id = insert(
            connection, t.lots, id=next_lot_id(connection), **values | {"number": None if freed else number}
        )
        if freed:  # it was another lot's before that was put right, and stays in the row of that lot
            entry_id = insert(
                connection, t.lot_entries, lot_id=lot_id, kind="amendment",
                reason="the number was another lot's before that one was put right",
            )  # fmt: skip
            changes = to_json({"number": number})
            connection.execute(t.amendments.insert().values(entry_id=entry_id, changes=changes))
        return lot_id

    def _known_id(self, connection: Connection, lot_id: int) -> int | None:
        """The id when there is such a lot."""
        if not 0 < lot_id < 2**31:  # a server's ids have 32 bits and it complains about more
            return None
        return connection.scalar(select(t.lots.c.id).where(t.lots.c.id == lot_id))
