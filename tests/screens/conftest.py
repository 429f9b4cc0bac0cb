"""Books and drawn photos for the screens' tests; the photos are small, because drawing costs time."""

import shutil
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from batches import draw_batches

from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.workflow.lot import record_photos


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
        scan = cache(manifest_scanner.scan_component_manifests)
        patch.setattr(manifest_scanner, "scan_component_manifests", scan)
        yield


@pytest.fixture(scope="module")
def measured_book(tmp_path_factory: pytest.TempPathFactory, photos: list[Path]) -> Path:
    """The folder of a book whose one lot has its first photo: advising of it anew for each test costs more than the rest."""
    folder = tmp_path_factory.mktemp("measured")
    with open_book(folder / "book.sqlite") as book:
        book.stocks.add("red", "E129", 1.0)
        record_photos(book, begin_lot(book), [photos[0]])
    return folder


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, empty_book: bytes, request: pytest.FixtureRequest) -> LotBook:
    """The book that the app will open: an empty one, or for a test of a measured lot a copy with that lot."""
    place = tmp_path / "book.sqlite"
    if "measured" in request.fixturenames:
        shutil.copytree(request.getfixturevalue("measured_book"), tmp_path, dirs_exist_ok=True)
    else:
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
    return begin_lot(book)


@pytest.fixture
def measured(book: LotBook) -> int:
    """The same lot with its first photo."""
    return book.lots.search()[0].id


def begin_lot(book: LotBook) -> int:
    return book.lots.begin("bitter aperitif", 900, ["red"], ceiling_mg_per_l=30, jurisdiction="EU").id
