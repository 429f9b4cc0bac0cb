"""Lots of the book: begun, found, put right, closed, opened again; their doses and photos are in other parts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, Unpack

from sqlalchemy import Connection, and_, func, or_, select

from colourmatch.book import checks, naming, rows, transactions
from colourmatch.book import entries as e
from colourmatch.book import tables as t
from colourmatch.book.additions import relabel
from colourmatch.book.rows import Query
from colourmatch.book.seals import last_hash
from colourmatch.book.shelf_records import StockEntry
from colourmatch.book.transactions import By, Part, enter
from colourmatch.errors import InputError
from colourmatch.records import names_of, plain

if TYPE_CHECKING:  # lists of lots do not wait for it
    from colourmatch.advice import Advice


#: The figures of a lot's head that can be put right.
AMENDABLE = {*names_of(e.LotFigures), "number"} - {"like"}


class Lots(Part):
    """Lots of an open book."""

    get, stories = transactions.reads(naming.find_lot), transactions.reads(rows.read_stories)

    def begin(
        self,
        name: str,
        volume_ml: float | None,
        stocks: Sequence[str | int] | str,
        *,
        number: str | None = None,
        reference: str | int | None = None,
        entered_by: str | None = None,
        token: str | None = None,
        **figures: Any,
    ) -> e.Lot:
        """Begin a lot, tinted to a `reference` by name or id; figures: further ones as in `LotFigures`.

        InputError for a figure that is not possible, NotFoundError for a stock or a reference that does not exist.
        """
        chosen = [stocks] if isinstance(stocks, (str, int)) else list(stocks)
        told = e.LotFigures(name=name, volume_ml=volume_ml, stocks=chosen, **figures)
        given = {"number": number, **vars(told)}
        del given["stocks"], given["reference_id"]
        values = {key: checks.check_figure(key, value) for key, value in given.items()}
        values |= rows.in_columns("target_lab", values.pop("target_lab"))
        values["serving"] = checks.to_json(values["serving"])
        usual = e.LotFigures(name="", volume_ml=None, stocks=())
        details = {key: values.pop(key) for key in checks.LOT_DETAILS}
        special = {key: value for key, value in details.items() if value != getattr(usual, key)}
        values["details"] = checks.to_json(special or None)
        wanted = told.reference_id if reference is None else reference
        values["reference_id"] = None if wanted is None else self._read(naming.find_reference, wanted).id

        def act(connection: Connection) -> int:
            stock_ids = list(dict.fromkeys(stock.id for stock in _find_stocks(connection, chosen)))
            if (known := transactions.find_token(connection, t.lots, token)) is None:
                return begin_lot(connection, stock_ids, **values, entered_by=entered_by, token=token)
            place = t.lot_stocks.c
            begun = select(place.stock_id).where(place.lot_id == known["id"]).order_by(place.position)
            asked = values | {"stocks": stock_ids}
            if known["number"] is None:  # one that was another lot's before stands in an amendment
                del asked["number"]
            transactions.refuse_other({**known, "stocks": list(connection.scalars(begun))}, asked)
            return int(known["id"])

        return self.get(self._database.write(act))

    def last_hash(self, lot: int | str) -> str:
        """The newest hash of a lot, which stands for all that was written of it so far."""
        with self._database.read() as connection:
            return last_hash(connection, naming.find_lot_id(connection, lot))

    def search(
        self, search: str | None = None, *, open_only: bool = False, limit: int = 50, offset: int = 0
    ) -> list[e.Lot]:
        """Lots, the newest first; `search` is a part of the name or of the number, capitals or not."""
        if limit < 0 or offset < 0:
            raise ValueError(f"limit and offset must not be negative, got {limit} and {offset}")
        with self._database.read() as connection:
            newest = t.lots.c.id.desc()
            page = _chosen(connection, search, open_only).order_by(newest).limit(limit).offset(offset)
            return rows.read_lots(connection, select(t.lots).where(t.lots.c.id.in_(page)).order_by(newest))

    def count(self, search: str | None = None, *, open_only: bool = False) -> int:
        """How many lots `search` would give without a limit."""
        with self._database.read() as connection:
            return rows.count(connection, _chosen(connection, search, open_only))

    def closed(
        self,
        search: str | None = None,
        *,
        stock: str | int | None = None,
        reference: str | int | None = None,
        limit: int = 50,
    ) -> list[e.Lot]:
        """The lots closed last, trials left out, in the order of closing; of a stock (all bottles of its name) or a reference.

        NotFoundError for a stock or a reference that does not exist.
        """
        with self._database.read() as connection:
            newest = _chosen(connection, search, False).join(t.closings, t.closings.c.lot_id == t.lots.c.id)
            # a trial is no lot to be compared with lots
            newest = newest.where(rows.still_closed(), t.lots.c.trial_of.is_(None))
            wanted = None if reference is None else naming.find_reference(connection, reference).id
            if wanted is not None:
                # A reference chosen later is an amendment; an outdated amendment is dropped below.
                ends = (t.amendments.c.changes.contains(f'"reference_id": {wanted}{end}') for end in ",}")
                amended = select(t.lot_entries.c.lot_id).join(t.amendments).where(or_(*ends))
                newest = newest.where(or_(t.lots.c.reference_id == wanted, t.lots.c.id.in_(amended)))
            if stock is not None:
                named = naming.stocks_named(connection, stock) if isinstance(stock, str) else []
                bottles = [s.id for s in named or [naming.find_stock(connection, stock)]]
                of_stock = select(t.lot_stocks.c.lot_id).where(t.lot_stocks.c.stock_id.in_(bottles))
                newest = newest.where(t.lots.c.id.in_(of_stock))
            newest = newest.order_by(t.closings.c.entry_id.desc()).limit(limit)
            ids = connection.scalars(newest).all()
            heads = rows.read_lots(connection, select(t.lots).where(t.lots.c.id.in_(ids)))
        found = {lot.id: lot for lot in heads}
        return [found[i] for i in reversed(ids) if wanted is None or found[i].reference_id == wanted]

    def story(self, lot: int | str, at: datetime | str | None = None) -> e.LotStory:
        """A lot with all its entries in order, as the book stood at a time (now when None)."""
        with self._database.read() as connection:
            moment = None if at is None else checks.utc_text(at)
            return rows.read_story(connection, naming.find_lot_id(connection, lot), moment)

    def amend(
        self,
        lot: int | str,
        reason: str,
        *,
        entered_by: str | None = None,
        token: str | None = None,
        **changes: Any,
    ) -> e.AmendmentEntry:
        """Put figures of a lot's head right (a volume mistyped, a ceiling lowered); see AMENDABLE for which.

        The new figure counts for the whole lot, as if it had been given at its beginning. A name and a number then
        find the lot, the old ones do so no more and are free; number None: the automatic one.
        """
        if not changes or (unknown := set(changes) - AMENDABLE):
            raise ValueError(f"changes must be among {', '.join(sorted(AMENDABLE))}, got {sorted(changes) and unknown}")
        why = transactions.check_reason(reason)
        if changes.get("reference_id") is not None:
            changes["reference_id"] = self._read(naming.find_reference, changes["reference_id"]).id

        def checked(connection: Connection) -> dict[str, Any]:
            told = dict(changes)
            if "stocks" in told:  # kept by their names
                told["stocks"] = [stock.name for stock in _find_stocks(connection, told["stocks"])]
            as_found = ("stocks", "reference_id")
            return {k: v if k in as_found else checks.check_figure(k, v) for k, v in told.items()}

        return enter(
            self._database, "amendment", e.AmendmentEntry, lot, lambda c, _lot_id: {"changes": checks.to_json(checked(c))},
            entered_by=entered_by, token=token, reason=why, when_closed=True, prove=True,
            check=lambda c, lot_id: _refuse_names(c, lot_id, checked(c)),
        )  # fmt: skip

    def close(
        self,
        lot: int | str,
        outcome: str,
        text: str = "",
        final: Advice | Mapping[str, Any] | None = None,
        **by: Unpack[By],
    ) -> e.ClosingEntry:
        """Close a lot; afterwards it takes corrections, notes and rechecks, a dose is a ClosedError."""
        asked = {"outcome": checks.check_outcome(outcome), "text": checks.check_text(text)}

        def particulars(connection: Connection, lot_id: int) -> dict[str, Any]:
            # it can be closed once, and once after each time that it was opened again
            before = rows.count(connection, select(t.closings).where(t.closings.c.lot_id == lot_id))
            own = {"lot_id": lot_id, "reopened_before": before}
            return asked | own | {"final": checks.to_json(plain(final))}

        return enter(self._database, "closing", e.ClosingEntry, lot, particulars, **by, asked=asked)

    def reopen(self, lot: int | str, reason: str, **by: Unpack[By]) -> e.ReopeningEntry:
        """Open a closed lot again; its closing stays in the story.

        What that closing taught of the stocks is taken back, so that the lot's photos count once when it is closed
        again; what later lots learnt stays, though they began from it. Doses by a label that was put right since are
        put right too. InputError for an open lot, and for a trial that was poured back.
        """
        why = transactions.check_reason(reason)

        def particulars(connection: Connection, lot_id: int) -> dict[str, Any]:
            story = rows.read_story(connection, lot_id)
            if story.closing is None:
                raise InputError(f"Lot {lot_id} is open. Leave it so, or name the lot that was closed.")
            parent = story.lot.trial_of
            if parent is not None and rows.read_story(connection, parent).poured_back(lot_id) is not None:
                raise InputError(
                    f"Lot {lot_id} is a trial that was poured back into lot {parent}. Take another trial of that lot."
                )
            return {"closing_entry_id": story.closing.id}

        def then(connection: Connection, lot_id: int) -> None:
            entered_by, changes = by.get("entered_by"), t.stock_entries
            learnt = select(changes.c.stock_id).where(changes.c.kind == "learnt", changes.c.lot_id == lot_id)
            for stock_id in sorted(set(connection.scalars(learnt))):
                unlearnt = {"stock_id": stock_id, "kind": "unlearnt", "lot_id": lot_id, "text": why}
                transactions.insert(connection, changes, **unlearnt, entered_by=entered_by)
            for stock in rows.read_story(connection, lot_id).stock_entries:
                told = f"the label of {stock.name} was put right while the lot was closed"
                relabel(connection, lot_id, stock, told, entered_by)

        return enter(
            self._database, "reopening", e.ReopeningEntry, lot, particulars,
            **by, reason=why, when_closed=True, prove=True, then=then, asked={},
        )  # fmt: skip


def _find_stocks(connection: Connection, stocks: Sequence[str | int]) -> list[StockEntry]:
    if not stocks:
        raise InputError("A lot needs at least one stock. Name it.")
    return [naming.find_stock(connection, stock) for stock in stocks]


def _chosen(connection: Connection, search: str | None, open_only: bool) -> Query:
    query = select(t.lots.c.id)
    if search and search.strip():
        key = checks.name_key(search)
        by_number = func.lower(t.lots.c.number).contains(key, autoescape=True)
        found = or_(t.lots.c.name_key.contains(key, autoescape=True), by_number)
        renamed = {lot.id: (lot.name, lot.number or "") for lot in naming.find_renamed(connection)}
        hits = [lot_id for lot_id, called in renamed.items() if any(key in checks.name_key(c) for c in called)]
        query = query.where(or_(and_(t.lots.c.id.not_in(renamed), found), t.lots.c.id.in_(hits)))
    return query.where(rows.is_open()) if open_only else query


def begin_lot(connection: Connection, stock_ids: Sequence[int], **values: Any) -> int:
    """Add the head of a lot under an id that means no other lot; InputError for a name or number that does."""
    _refuse_names(connection, None, values)
    number = values.get("number")
    taken = select(t.lots.c.id).where(t.lots.c.number == number)
    freed = number is not None and bool(connection.scalar(taken))
    values |= {"number": None if freed else number, "name_key": checks.name_key(values["name"])}
    lot_id = transactions.insert(connection, t.lots, id=naming.next_lot_id(connection), **values)
    for position, stock_id in enumerate(stock_ids):
        row = {"lot_id": lot_id, "position": position, "stock_id": stock_id}
        connection.execute(t.lot_stocks.insert(), row)
    if freed:  # it was another lot's before that was put right, and stays in the row of that lot
        reason = "the number was another lot's before that one was put right"
        transactions.put_entry(
            connection, lot_id, "amendment", {"changes": checks.to_json({"number": number})}, reason=reason
        )
    return lot_id


def _refuse_names(connection: Connection, lot_id: int | None, checked: dict[str, Any]) -> None:
    """InputError for a new name or number that means another lot."""
    given = {what: checked[what] for what in ("name", "number") if checked.get(what) is not None}
    if given:
        naming.lock_names(connection, "lots")
    for what, text in given.items():
        naming.refuse_taken(connection, text, what, lot_id)
