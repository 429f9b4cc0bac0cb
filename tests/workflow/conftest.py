"""Lots with known glasses, for all tests of what is done with a lot."""

from collections.abc import Callable

import pytest
from known_lot import Bench

from colourmatch.book.lot_book import LotBook
from colourmatch.measurement import Measurement
from colourmatch.workflow import fitting


@pytest.fixture
def bench(book: LotBook, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Bench]:
    """Makes lots with known glasses."""
    known: dict[bytes, Measurement] = {}
    monkeypatch.setattr("colourmatch.photo.measure.measure_or_refuse", lambda content, *_how: known[content])
    return lambda **how: Bench(book, known, **how)


@pytest.fixture
def as_noted(monkeypatch: pytest.MonkeyPatch) -> None:
    """All went in as it was noted: looking for what went wrong by hand takes most of the time of a fit."""
    monkeypatch.setattr(fitting, "list_mishaps", lambda *_given: [])
