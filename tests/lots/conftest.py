"""A fresh lot book for every test: SQLite, and PostgreSQL when COLOURMATCH_TEST_POSTGRES_URL is set."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from colourmatch.lots.book import LotBook, open_book


@pytest.fixture(params=["sqlite", "postgresql"])
def location(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where an empty book may be made."""
    if request.param == "sqlite":
        return str(tmp_path / "book.sqlite")
    return request.getfixturevalue("empty_server")()


@pytest.fixture
def second_location(location: str, tmp_path: Path, request: pytest.FixtureRequest) -> Callable[[], str]:
    """Makes another empty place of the same kind; on a server the first book is thrown away for it."""

    def make() -> str:
        if "://" not in location:
            return str(tmp_path / "second.sqlite")
        return request.getfixturevalue("empty_server")()

    return make


@pytest.fixture
def environ(tmp_path: Path) -> dict[str, str]:
    """Surroundings in which photos of a server's book lie in the test's folder."""
    return {"COLOURMATCH_PHOTOS": str(tmp_path / "server-photos")}


@pytest.fixture
def book(location: str, environ: dict[str, str]) -> Iterator[LotBook]:
    """An open empty book."""
    with open_book(location, environ=environ) as opened:
        yield opened


@pytest.fixture
def lot(book: LotBook) -> int:
    """A lot of 900 ml with two stocks of 1 g in 100 ml, drops of 0.05 ml."""
    book.add_stock("red", "E129", 1.0)
    book.add_stock("yellow", "E102", 1.0, made_in="batch")
    return book.new_lot("Aperitif", 900, ["red", "yellow"], ceiling_mg_per_l=60, dilution=5).id


@pytest.fixture(scope="session")
def jpeg() -> bytes:
    """A small photo."""
    from PIL import Image

    out = io.BytesIO()
    Image.effect_noise((64, 48), 60).convert("RGB").save(out, "JPEG")
    return out.getvalue()
