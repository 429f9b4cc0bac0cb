"""By what names a book knows the lot that the program invents, and that none of it is for real work."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol, TypeVar

from colourmatch.book.entries import Lot

EXAMPLE_NUMBER, EXAMPLE_STOCK = "EXAMPLE", "example red"


class _Named(Protocol):
    @property
    def name(self) -> str: ...


Entry = TypeVar("Entry", bound=_Named)


def is_example(lot: Lot) -> bool:
    """Whether a lot, or the trial of one, is the invented kitchen's: nothing else is tinted with its stock."""
    return EXAMPLE_STOCK in lot.stocks


def leave_out_example(shelf: Iterable[Entry], own: Iterable[str] = ()) -> list[Entry]:
    """The stocks that a lot with these `own` ones may be tinted with: the example's has its own alone, no other has that."""
    inside = EXAMPLE_STOCK in own
    return [stock for stock in shelf if (stock.name == EXAMPLE_STOCK) is inside]
