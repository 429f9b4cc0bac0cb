"""What is said of bottles: a warning, and who got what of a supplier's batch, by the records of workflow/shelf_state.py."""

from __future__ import annotations

from datetime import date, tzinfo
from typing import Any

from colourmatch.words.figures import tell_ml
from colourmatch.words.times import tell_date


def tell_old(name: str, last: date) -> str:
    """A bottle past its last day."""
    return f"{name} was to be used by {last}. Make it again."


def tell_old_soon(name: str, last: date) -> str:
    """A bottle near its last day."""
    return f"{name} is to be used by {last}."


def tell_empty(name: str, left_ml: float) -> str:
    """A bottle that holds less than a whole dose."""
    return f"{name} is nearly empty: {tell_ml(left_ml)} left by the entries. Make it again in time."


def tell_traced_stock(stock: Any) -> str:
    """One bottle of a batch."""
    entry = stock.entry
    from_whom = f" of {entry.supplier}" if entry.supplier else ""
    thinned = f", thinned from stock {entry.diluted_from_id}" if entry.diluted_from_id else ""
    left = "" if stock.left_ml is None else f", {tell_ml(stock.left_ml)} left"
    where = "on the shelf" if entry.active else "put away"
    return f"stock {entry.id} {entry.name}{from_whom}{thinned}: {where}{left}"


def tell_traced_lot(lot: Any, zone: tzinfo | None = None) -> str:
    """One lot that holds some of a batch."""
    head, dose = lot.head, lot.dose
    amount = f"{tell_ml(round(dose.ml, 3))} of {lot.stock} (stock {dose.stock_id})"
    state = "closed" if head.closed else "open"
    return f"lot {head.label} {head.name} ({state}): {amount}, {tell_date(dose.first_at, zone)}"


def tell_trace(told: Any) -> list[str]:
    """What was traced, in lines: the bottles, then the lots."""
    lines = [*map(tell_traced_stock, told.stocks), *map(tell_traced_lot, told.lots)]
    return [f"Batch {told.batch}:", *(f"  {line}" for line in lines), tell_held(told)]


def tell_held(told: Any) -> str:
    """How many lots hold a batch."""
    count = len({lot.head.id for lot in told.lots})
    return "1 lot holds it." if count == 1 else f"{count} lots hold it."
