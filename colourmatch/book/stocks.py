"""The stocks on the shelf: made up, thinned, weighed, learnt, put right, put away, and what is left in their bottles."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any, TypedDict, Unpack

from sqlalchemy import Connection, select

from colourmatch.book import checks, transactions
from colourmatch.book import tables as t
from colourmatch.book.additions import StockCorrection, check_stock_changes, put_stock_right
from colourmatch.book.entries import CAME_BACK, CARRIED
from colourmatch.book.naming import ADD_STOCK, find_stock, is_same_stock, lock_names, stocks_named
from colourmatch.book.rows import count, read_stocks, read_taught
from colourmatch.book.shelf_records import StockEntry
from colourmatch.book.transactions import By, Part, reads
from colourmatch.errors import ClosedError, InputError, NotFoundError
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.stock import Stock, check_stock, dilute, part_learnt, weigh_drops

#: Two makings of one recipe differ in strength by this much (one sd, relative): weighing, filling up, another batch of
#: powder (common practice, no source).
FRESH_REL_SD = 0.08


class BottleFacts(TypedDict, total=False):
    """What a maker says of a bottle; days as 2027-05-01, the amount in ml, `hand` as of a lot."""

    supplier: str | None
    supplier_batch: str | None
    made_on: str | None
    use_by: str | None
    amount_ml: float | None
    hand: str | None


@dataclass(frozen=True)
class Traced:
    """What one lot got of one bottle, in all the doses that count; the first and the last time."""

    lot_id: int
    stock_id: int
    ml: float
    mg: float
    first_at: str
    last_at: str


_CHECKS: dict[str, Callable[[Any], Any]] = {
    "supplier": lambda value: checks.check_name(value, "supplier"),
    "supplier_batch": lambda value: checks.check_name(value, "batch of the supplier"),
    "made_on": lambda value: _check_day(value, "day it was made"),
    "use_by": lambda value: _check_day(value, "day to use it by"),
    "amount_ml": lambda value: checks.check_number("amount_ml", value),
    "hand": checks.check_hand,
}


def check_bottle(facts: BottleFacts) -> dict[str, Any]:
    """The facts as they are kept, what was not said left out; InputError for what cannot be."""
    said = {key: facts.get(key) for key in _CHECKS}
    checked = {key: _CHECKS[key](value) for key, value in said.items() if value not in (None, "")}
    if checked.get("use_by", "9") < checked.get("made_on", ""):
        raise InputError(
            f"It is to be used by {checked['use_by']}, before it was made on {checked['made_on']}. Check the two days."
        )
    return checked


def _check_day(value: object, words: str) -> str:
    try:
        return date.fromisoformat(str(value).strip()).isoformat()
    except ValueError:
        raise InputError(f"The {words} is {value!r}. Give a day such as 2027-05-01.") from None


def trace_stocks(connection: Connection, ids: Iterable[int]) -> list[Traced]:
    """What each lot got of each of these bottles, by lot; a trial's part of its batch is not counted again."""
    head, part = t.lot_entries.c, t.additions.c
    query = select(t.lot_entries, t.additions).join(t.additions, part.entry_id == head.id).order_by(head.id)
    wanted = set(ids)
    # entries of other bottles too: a correction may name another bottle than what it corrects
    touched = select(head.lot_id).join(t.additions, part.entry_id == head.id).where(part.stock_id.in_(wanted))
    rows = connection.execute(query.where(head.lot_id.in_(touched))).mappings().all()
    replaced = {row["replaces_id"] for row in rows}
    carried: set[int] = set()
    for row in rows:
        reason = row["reason"] or ""
        own = row["replaces_id"] is None and (reason == CARRIED or reason.startswith(CAME_BACK))
        if own or row["replaces_id"] in carried:
            carried.add(row["id"])
    found: dict[tuple[int, int], list[Any]] = defaultdict(list)
    for row in rows:
        counts = row["id"] not in replaced and row["id"] not in carried and not row["void"]
        if counts and row["stock_id"] in wanted:
            found[row["lot_id"], row["stock_id"]].append(row)
    return [
        Traced(
            *place,
            *(sum(r[key] for r in held) for key in ("ml", "mg")),
            *(held[k]["created_at"] for k in (0, -1)),
        )
        for place, held in sorted(found.items())
    ]


def read_left_ml(connection: Connection, stocks: Iterable[StockEntry]) -> dict[int, float | None]:
    """What is left of each bottle by the entries, ml; None where nobody said how much there was, never below 0.

    What was thinned from it took its share, where the thinned bottle says how much of it was made.
    """
    known = {stock.id: stock for stock in stocks if stock.amount_ml is not None}
    if not known:
        return {stock.id: None for stock in stocks}
    left = {stock_id: float(stock.amount_ml or 0.0) for stock_id, stock in known.items()}
    for dose in trace_stocks(connection, known):
        left[dose.stock_id] -= dose.ml
    children = select(t.stocks.c.id).where(t.stocks.c.diluted_from_id.in_(known))
    for child in read_stocks(connection, connection.scalars(children).all()):
        parent = known[child.diluted_from_id or 0]
        share = child.label_strength_g_per_100ml / parent.label_strength_g_per_100ml
        left[parent.id] -= (child.amount_ml or 0.0) * share
    return {stock.id: max(left[stock.id], 0.0) if stock.id in left else None for stock in stocks}


class Stocks(Part):
    """Stocks of an open book."""

    get, left_ml, as_taught = reads(find_stock), reads(read_left_ml), reads(read_taught)

    def add(
        self,
        name: str,
        colourant: str,
        strength_g_per_100ml: float,
        *,
        notes: str = "",
        diluted_from: str | int | None = None,
        bottle: BottleFacts | None = None,
        follows: int | None = None,
        entered_by: str | None = None,
        token: str | None = None,
        **figures: Any,
    ) -> StockEntry:
        """Put a stock on the shelf; InputError for an impossible figure or a name that is taken.

        colourant: an E number, a name, or the code of an unknown bottle (`custom_colourant`); figures: as in `Stock`;
        bottle: whose batch it is, its days, how much; follows: the id of the bottle before it.
        """
        by: By = {"entered_by": entered_by, "token": token}
        details = check_bottle(bottle or {}) | ({} if follows is None else {"follows": follows})
        code = find_colourant(colourant).e_number
        stock = Stock(checks.check_name(name, "name of the stock"), code, strength_g_per_100ml, **figures)
        row = _figures(check_stock(stock))
        asked = row | {key: float(value) for key, value in row.items() if not isinstance(value, str)}
        asked |= {"notes": checks.check_text(notes, "notes"), "details": checks.to_json(details or None)}

        def act(connection: Connection) -> int:
            parent = None if diluted_from is None else find_stock(connection, diluted_from).id
            values = asked | {"diluted_from_id": parent}
            lock_names(connection, "stocks")
            again = transactions.find_token(connection, t.stocks, token) is not None
            if not again and any(known.active for known in stocks_named(connection, stock.name)):
                raise InputError(
                    f"A stock called {stock.name!r} is on the shelf already. Take another name, or "
                    "put the old one away first."
                )
            return transactions.insert_once(
                connection, t.stocks, by, values, **values, name_key=checks.name_key(stock.name)
            )

        return self.get(self._database.write(act))

    def refill(
        self, stock: str | int, *, notes: str = "", bottle: BottleFacts | None = None, **by: Unpack[By]
    ) -> StockEntry:
        """Put a fresh bottle of a stock in the place of the old one, which is put away.

        Strength, drop and hand are those of the old one. What photos taught of it is where the fresh one starts, less sure
        by what two makings of one recipe differ. Whose batch it is, its days and its amount are the fresh bottle's own.
        """
        if (known := self._read(transactions.find_token, t.stocks, by.get("token"))) is not None:
            return self.get(int(known["id"]))
        old = self.get(stock)
        facts: BottleFacts = {"hand": old.hand, **(bottle or {})}
        check_bottle(facts)
        self.put_away(old.id, "a fresh bottle took its place", entered_by=by.get("entered_by"))
        label = _figures(old.as_stock(learnt=False))
        made = self.add(**label, notes=notes, bottle=facts, follows=old.id, **by)
        if old.learnt is None:
            return made
        return self._pass_on(old, made, math.hypot(old.strength_rel_sd, FRESH_REL_SD), by)

    def _pass_on(self, old: StockEntry, new: StockEntry, rel_sd: float, by: By) -> StockEntry:
        """What photos taught of one bottle, for another."""
        token = transactions.part_of(by, "learnt")["token"]
        lot = old.learnt_from_lot_id
        return self.learn(new.id, old.strength_factor, rel_sd, lot, shift=old.shift, token=token)

    def trace(self, batch: str) -> tuple[list[StockEntry], list[Traced]]:
        """The bottles of a supplier's batch, what was thinned from them, those put away too, and what lots got of them.

        NotFoundError names near batches.
        """
        with self._database.read() as connection:
            shelf, found = read_stocks(connection), dict[int, StockEntry]()
            for stock in shelf:  # a bottle stands before what is thinned from it
                own = stock.supplier_batch and checks.name_key(stock.supplier_batch) == checks.name_key(batch)
                if own or stock.diluted_from_id in found:
                    found[stock.id] = stock
            if not found:
                batches = [one.supplier_batch for one in shelf if one.supplier_batch]
                raise NotFoundError(
                    f"No bottle is of the batch {batch!r}.{checks.near_names(batch, batches)} Say whose it is with: "
                    "colourmatch stock correct STOCK --batch BATCH --reason 'read on the bottle'"
                )
            return list(found.values()), trace_stocks(connection, found)

    def dilute(
        self,
        stock: str | int,
        fold: float,
        name: str | None = None,
        bottle: BottleFacts | None = None,
        **by: Unpack[By],
    ) -> StockEntry:
        """Put 1 part made up to `fold` parts on the shelf, with what photos taught; as in `add`."""
        parent = self.get(stock)
        thin = dilute(parent.as_stock(learnt=False), fold, (name or "").strip() or None)
        made = self.add(**_figures(thin), diluted_from=parent.id, bottle=bottle, **by)
        learnt, label = (parent.strength_factor, parent.strength_rel_sd), (1.0, parent.label_strength_rel_sd)
        if learnt == label or made.learnt_from_lot_id is not None or made.strength_factor != 1:
            return made
        return self._pass_on(parent, made, parent.strength_rel_sd, by)

    def all(self, *, active_only: bool = True) -> list[StockEntry]:
        """The stocks on the shelf, by name; with `active_only` False those put away as well."""
        stocks = self._read(read_stocks)
        chosen = [stock for stock in stocks if stock.active or not active_only]
        return sorted(chosen, key=lambda stock: (checks.name_key(stock.name), stock.id))

    def weigh(
        self,
        stock: str | int,
        drops: int,
        grams: float,
        *,
        density_g_per_ml: float | None = None,
        another_dropper: bool = False,
        **by: Unpack[By],
    ) -> StockEntry:
        """Drop volume from weighed drops, for the additions entered from now on; earlier ones keep theirs.

        What a lot taught by drops that nobody had weighed is strength and drop in one: the weighing takes its drop out
        of that. another_dropper: the drops are not those of the lot; of what it taught the strength keeps its share.
        """
        found = self.get(stock)
        weighed = weigh_drops(found.as_stock(), drops, grams, density_g_per_ml)
        told = self._change(
            found, "weighed", by, drops=float(drops), grams=float(grams),
            drop_ml=weighed.drop_ml, drop_rel_sd=weighed.rel_sd,
        )  # fmt: skip
        if found.weighed or not self._taught_by_drops(found):
            return told
        factor, sd = part_learnt(
            (found.strength_factor, found.strength_rel_sd), (found.label_strength_rel_sd, found.drop_rel_sd),
            None if another_dropper else (weighed.drop_ml / found.drop_ml, weighed.rel_sd),
        )  # fmt: skip
        return self._change(
            told, "learnt", transactions.part_of(by, "drop"), strength_factor=factor, strength_rel_sd=sd,
            lot_id=found.learnt_from_lot_id, text="its drop was weighed",
        )  # fmt: skip

    def _taught_by_drops(self, stock: StockEntry) -> bool:
        """Whether there is a lot that a stock was learnt from, and it was dosed with it in drops."""
        head, part = t.lot_entries.c, t.additions.c
        query = select(part.entry_id).join(t.lot_entries, head.id == part.entry_id)
        of_lot = head.lot_id == stock.learnt_from_lot_id, part.stock_id == stock.id
        return self._read(count, query.where(*of_lot, part.unit == "drops")) > 0

    def learn(
        self,
        stock: str | int,
        factor: float,
        rel_sd: float,
        lot: int | None = None,
        *,
        shift: tuple[float, float] | None = None,
        **by: Unpack[By],
    ) -> StockEntry:
        """What the photos of a lot taught: true strength as a factor of the label's, and its relative sd.

        `lot` is the id of an existing lot; `shift`: how far its band lies from where its colourant has it, nm, and one sd.
        """
        moved = dict(zip(("shift_nm", "shift_sd_nm"), shift or (), strict=shift is not None))
        details = {name: checks.check_number(name, part) for name, part in moved.items()}
        return self._change(
            self.get(stock), "learnt", by,
            strength_factor=checks.check_number("strength_factor", factor),
            strength_rel_sd=checks.check_number("rel_sd", rel_sd), lot_id=lot, details=checks.to_json(details or None),
        )  # fmt: skip

    def reset(self, stock: str | int, reason: str = "", *, entered_by: str | None = None) -> StockEntry:
        """Forget what was learnt of a stock (it was made again): the strength of its label counts again."""
        return self._change(self.get(stock), "reset", {"entered_by": entered_by}, text=reason)

    def put_away(self, stock: str | int, reason: str = "", *, entered_by: str | None = None) -> StockEntry:
        """Take a stock out of use (empty, spoilt); its history stays and its name is free again."""
        return self._change(self.get(stock), "put-away", {"entered_by": entered_by}, text=reason)

    def correct(
        self,
        stock: str | int,
        reason: str,
        *,
        strength_g_per_100ml: float | None = None,
        name: str | None = None,
        notes: str | None = None,
        bottle: BottleFacts | None = None,
        **by: Unpack[By],
    ) -> StockCorrection:
        """Put the label strength, the name or the remark of a stock right.

        A label strength that was misread was wrong from the beginning: doses of open lots are corrected to it, each by
        an entry that says so, and stocks thinned from this one with it. Closed lots keep what their records and papers
        say until they are opened again. What photos taught is a true strength and stays. The old name is free again.
        """
        why = transactions.check_reason(reason)
        details = check_bottle(bottle or {})
        said: dict[str, Any] = {"label_g_per_100ml": strength_g_per_100ml, "name": name, "notes": notes}
        given = {key: value for key, value in said.items() if value is not None}
        given |= {"details": details} if details else {}
        if not given:
            raise InputError("Say what to put right: --strength-g-per-100ml, --name, --note, or what the bottle says.")

        def act(connection: Connection) -> StockCorrection:
            lock_names(connection, "stocks")
            if (known := transactions.find_token(connection, t.stock_entries, by.get("token"))) is not None:
                asked = given | ({"details": checks.to_json(details)} if details else {})
                same = {"stock_id": is_same_stock(connection, stock), "kind": "corrected", "text": why}
                transactions.refuse_other(known, same | {k: v for k, v in asked.items() if known[k] is not None})
                return StockCorrection(find_stock(connection, int(known["stock_id"])))
            old = find_stock(connection, stock)
            changes = check_stock_changes(connection, old, given)
            return put_stock_right(connection, old, changes, why, by)

        return self._database.write(act)

    def _change(self, stock: StockEntry, kind: str, by: By, **values: Any) -> StockEntry:
        if not stock.active:
            raise ClosedError(f"The stock {stock.name!r} is put away. Add a new one with: {ADD_STOCK}")
        entry = {**values, "stock_id": stock.id, "kind": kind, "text": checks.check_text(values.get("text"))}
        self._database.write(lambda c: transactions.insert_once(c, t.stock_entries, by, entry, **entry))
        return self.get(stock.id)


def _figures(stock: Stock) -> dict[str, Any]:
    """A stock as its row has it; the hand stands with what is said of the bottle."""
    return {name: value for name, value in asdict(stock).items() if name != "hand"}
