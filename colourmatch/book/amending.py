"""What of a lot's head can be put right, and to what; it writes nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sqlalchemy import Connection

from colourmatch.book.checks import (
    check_colourant,
    check_hand,
    check_jurisdiction,
    check_lab,
    check_label_lines,
    check_name,
    check_number,
    check_serving,
    check_text,
)
from colourmatch.book.naming import lock_names, refuse_taken
from colourmatch.book.shelf import find_stock
from colourmatch.errors import InputError

AMENDABLE = (
    "volume_ml", "ceiling_mg_per_l", "depth_mm", "dilution", "tolerance", "already_mg_per_l", "jurisdiction",
    "target_lab", "reference_id", "notes", "serving", "stocks", "already_colourant", "name", "number",
    "made_up_to", "hand", "label_lines",
)  # fmt: skip

_CHECKS: dict[str, Callable[[Any], Any]] = {
    "name": lambda value: check_name(value, "name of the lot"),
    "number": lambda value: None if value is None else check_name(value, "number of the lot"),
    "notes": lambda value: check_text(value, "notes"),
    "ceiling_mg_per_l": lambda value: None if value is None else check_number("ceiling_mg_per_l", value),
    "target_lab": check_lab,
    "jurisdiction": check_jurisdiction,
    "serving": check_serving,
    "already_colourant": check_colourant,
    "hand": check_hand,
    "label_lines": check_label_lines,
    "like": lambda value: None if value is None else int(value),
}


def check_figure(key: str, value: Any) -> Any:
    """A figure of a lot's head as it is kept, at the beginning and when it is put right; InputError for what it cannot be."""
    return _CHECKS[key](value) if key in _CHECKS else check_number(key, value)


def check_change(connection: Connection, key: str, value: Any) -> Any:
    """The new value of a figure of the head as it is kept; stocks by their names, a reference by its id."""
    if key == "stocks":
        if not value:
            raise InputError("A lot needs at least one stock. Name it with --stock.")
        return [find_stock(connection, stock).name for stock in value]
    return value if key == "reference_id" else check_figure(key, value)


def refuse_names(connection: Connection, lot_id: int | None, checked: dict[str, Any]) -> None:
    """InputError for a new name or number that means another lot."""
    given = {what: checked[what] for what in ("name", "number") if checked.get(what) is not None}
    if given:
        lock_names(connection)
    for what, text in given.items():
        refuse_taken(connection, text, what, lot_id)
