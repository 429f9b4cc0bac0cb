"""Who got what of a supplier's batch, by the records of workflow/shelf_state.py."""

from __future__ import annotations

from datetime import tzinfo
from typing import Any

from colourmatch.words.figures import tell_ml
from colourmatch.words.times import tell_date


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


def tell_held(told: Any) -> str:
    """How many lots hold a batch."""
    count = len({lot.head.id for lot in told.lots})
    return "1 lot holds it." if count == 1 else f"{count} lots hold it."
