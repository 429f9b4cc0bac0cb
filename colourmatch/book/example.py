"""By what names a book knows the lot that the program invents, and that none of it is for real work."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol, TypeVar

EXAMPLE_NUMBER, EXAMPLE_STOCK = "EXAMPLE", "example red"


class _Named(Protocol):
    @property
    def name(self) -> str: ...


Entry = TypeVar("Entry", bound=_Named)


def leave_out_example(shelf: Iterable[Entry], own: Iterable[str] = ()) -> list[Entry]:
    """The stocks that a lot may be tinted with: the example's is offered to the example alone, whose `own` it is."""
    return [stock for stock in shelf if stock.name != EXAMPLE_STOCK or EXAMPLE_STOCK in own]
