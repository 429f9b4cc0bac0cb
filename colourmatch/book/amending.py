"""What of a lot's head can be put right, and to what; it writes nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from colourmatch.book.checks import (
    check_colourant,
    check_jurisdiction,
    check_lab,
    check_name,
    check_number,
    check_optional,
    check_serving,
    check_text,
)
from colourmatch.book.naming import lock_names, refuse_taken
from colourmatch.book.shelf import find_stock
from colourmatch.errors import InputError

if TYPE_CHECKING:
    from sqlalchemy import Connection


AMENDABLE = (
    "volume_ml", "ceiling_mg_per_l", "depth_mm", "dilution", "tolerance", "already_mg_per_l", "jurisdiction",
    "target_lab", "reference_id", "notes", "serving", "stocks", "already_colourant", "name", "number",
)  # fmt: skip

_HEAD_CHECKS: dict[str, Callable[[object], Any]] = {
    "target_lab": check_lab,
    "jurisdiction": check_jurisdiction,
    "serving": check_serving,
    "already_colourant": check_colourant,
}


def check_change(connection: Connection, key: str, value: Any) -> Any:
    """The new value of a figure of the head as it is kept; InputError for what it cannot be."""
    if key == "stocks":
        found = [find_stock(connection, stock) for stock in value]
        if not found:
            raise InputError("A lot needs at least one stock. Name it with --stock.")
        return [stock.name for stock in found]
    if key in ("name", "number"):
        return None if key == "number" and value is None else check_name(value, f"{key} of the lot")
    if key == "notes":
        return check_text(value, key)
    if key in _HEAD_CHECKS:
        return _HEAD_CHECKS[key](value)
    if key == "reference_id":
        return value
    return check_optional(key, value) if key == "ceiling_mg_per_l" else check_number(key, value)


def refuse_names(connection: Connection, lot_id: int, checked: dict[str, Any]) -> None:
    """InputError for a new name or number that means another lot."""
    given = {what: checked[what] for what in ("name", "number") if checked.get(what) is not None}
    if given:
        lock_names(connection)
    for what, text in given.items():
        refuse_taken(connection, text, what, lot_id)
