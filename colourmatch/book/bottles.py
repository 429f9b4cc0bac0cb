"""What is on a bottle beside its colour: whose batch, until when it is good, what is left, in which lots."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any, TypedDict

from sqlalchemy import Connection, select

from colourmatch.book import tables as t
from colourmatch.book.checks import check_hand, check_name, check_number, name_key
from colourmatch.book.entries import CAME_BACK, CARRIED
from colourmatch.book.rows import read_stocks
from colourmatch.book.shelf_records import StockEntry
from colourmatch.errors import InputError


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
    "supplier": lambda value: check_name(value, "supplier"),
    "supplier_batch": lambda value: check_name(value, "batch of the supplier"),
    "made_on": lambda value: _check_day(value, "day it was made"),
    "use_by": lambda value: _check_day(value, "day to use it by"),
    "amount_ml": lambda value: check_number("amount_ml", value),
    "hand": check_hand,
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


def find_batch(connection: Connection, batch: str) -> list[StockEntry]:
    """The bottles that hold a supplier's batch, those thinned from them and those put away too."""
    found: dict[int, StockEntry] = {}
    for stock in read_stocks(connection):  # a bottle stands before what is thinned from it
        own = stock.supplier_batch and name_key(stock.supplier_batch) == name_key(batch)
        if own or stock.diluted_from_id in found:
            found[stock.id] = stock
    return list(found.values())
