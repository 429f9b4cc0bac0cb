"""Books and drawn photos for the screens' tests; the photos are small, because drawing costs time."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from batches import draw_batches

from colourmatch.book.lot_book import LotBook, open_book


@pytest.fixture(scope="session")
def photos(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The batch before the first drop, and two photos after it."""
    return draw_batches(tmp_path_factory.mktemp("photos"), 1.0, 8.0, 8.0)


@pytest.fixture(scope="session")
def card_photo_bytes(photos: list[Path]) -> bytes:
    """The first photo as an upload brings it."""
    return photos[0].read_bytes()


@pytest.fixture(scope="session", autouse=True)
def _components_found_once() -> Iterator[None]:
    """Each AppTest looks through all installed packages for components; once is enough, and twice as fast."""
    from streamlit.components.v2 import manifest_scanner

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            manifest_scanner, "scan_component_manifests", cache(manifest_scanner.scan_component_manifests)
        )
        yield


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, empty_book: bytes) -> LotBook:
    """An empty book that the app will open."""
    place = tmp_path / "book.sqlite"
    place.write_bytes(empty_book)
    monkeypatch.setenv("COLOURMATCH_BOOK", str(place))
    return open_book(place)


@pytest.fixture
def red(book: LotBook) -> str:
    """A stock in the book."""
    return book.stocks.add("red", "E129", 1.0).name


@pytest.fixture
def lot_id(book: LotBook, red: str) -> int:
    """A lot of that stock, before its first photo."""
    return book.lots.begin("bitter aperitif", 900, [red], ceiling_mg_per_l=30, jurisdiction="EU").id
