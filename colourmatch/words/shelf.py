"""Who got what of a supplier's batch, by the records of workflow/shelf_state.py."""

from __future__ import annotations

from datetime import tzinfo
from typing import Any

from colourmatch.words.figures import tell_ml
from colourmatch.words.times import tell_date


def tell_traced_stock(stock: Any) -> str:
    """One bottle of a batch."""
    from_whom = f" of {stock.supplier}" if stock.supplier else ""
    thinned = f", thinned from stock {stock.diluted_from}" if stock.diluted_from else ""
    left = "" if stock.left_ml is None else f", {tell_ml(stock.left_ml)} left"
    where = "on the shelf" if stock.active else "put away"
    return f"stock {stock.id} {stock.stock}{from_whom}{thinned}: {where}{left}"


def tell_traced_lot(lot: Any, zone: tzinfo | None = None) -> str:
    """One lot that holds some of a batch."""
    amount = f"{tell_ml(round(lot.ml, 3))} of {lot.stock} (stock {lot.stock_id})"
    state = "closed" if lot.closed else "open"
    return f"lot {lot.number} {lot.name} ({state}): {amount}, {tell_date(lot.first_at, zone)}"


def tell_held(told: Any) -> str:
    """How many lots hold a batch."""
    count = len({lot.lot for lot in told.lots})
    return "1 lot holds it." if count == 1 else f"{count} lots hold it."
