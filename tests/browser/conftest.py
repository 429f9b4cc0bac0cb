"""Browsers, apps and drawn photos for the tests that drive the app from outside."""

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from batches import draw_batches
from driving import CHROMIUM, DRIVER, Browsers, ForkedServer, Page, Server

from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.workflow.lot import record_photos

MISSING = pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="chromium and chromedriver are not installed")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """All tests of this folder drive a browser; tests/conftest.py puts what is marked so first."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)
            item.add_marker(MISSING)


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[], Server]]:
    """One book and one app for a file whose tests have lots of their own: a start costs more than most tests.

    It is started again where a test has killed it, and what was typed before and not sent is thrown away.
    """
    folder = tmp_path_factory.mktemp("app")
    with open_book(folder / "book.sqlite") as book:
        server = ForkedServer(folder, book.place)

    def give() -> Server:
        shutil.rmtree(folder / "state", ignore_errors=True)
        if not server.is_running():
            server.start()
        return server

    yield give
    server.stop()


@pytest.fixture(scope="module")
def book(app: Callable[[], Server]) -> Iterator[LotBook]:
    """The book of the file's app; it begins empty."""
    with open_book(app().book) as book:
        yield book


@pytest.fixture(scope="module")
def red(book: LotBook) -> str:
    """A stock in the book."""
    return book.stocks.add("red", "E129", 1.0).name


@pytest.fixture
def browse(browsers: Browsers) -> Iterator[Callable[[str], Page]]:
    """Opens a browser with the screen of a phone or a desk."""
    yield lambda screen: Page(browsers.open(), screen)
    browsers.give_back()


@pytest.fixture
def visit(app: Callable[[], Server], browse: Callable[[str], Page]) -> Callable[..., Page]:
    """Opens a page of the file's app."""

    def go(path: str = "", screen: str = "phone") -> Page:
        page = browse(screen)
        page.go(f"{app().url}/{path}")
        return page

    return go


@pytest.fixture(scope="session")
def photos(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Four photos of a batch that takes on colour until it matches."""
    return draw_batches(tmp_path_factory.mktemp("photos"), 1.0, 4.0, 8.0, 12.0)


@pytest.fixture(scope="module")
def play(book: LotBook, red: str) -> Callable[..., int]:
    """Begins a lot of some photos, and of the drops that two that follow each other show."""

    def begin(photos: list[Path], drops: float = 7.2, name: str = "Kitchen red cordial", **how: object) -> int:
        lot_id = book.lots.begin(name, 900, [red], **({"ceiling_mg_per_l": 60} | how)).id
        for number, photo in enumerate(photos):
            if number:
                book.additions.add(lot_id, red, drops=drops)
            record_photos(book, lot_id, [photo])
        return lot_id

    return begin
