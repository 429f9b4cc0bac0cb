"""Browsers, servers and drawn photos for the tests that drive the app from outside."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from driving import Browsers, ForkedServer, Page, Server

from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.simulate import Light, Phone, Pose, Scene, drink_transmittance, render_photo, save_photo

#: Of the same colours as at full size, and drawn in a third of the time.
SMALL = Pose(fill=0.85, tilt_degrees=3, width_px=1200, height_px=900)


@pytest.fixture
def book(tmp_path: Path) -> LotBook:
    return open_book(tmp_path / "book.sqlite")


@pytest.fixture
def serve(tmp_path: Path, book: LotBook) -> Iterator[Callable[..., Server]]:
    """Starts the app with the options given; it is ended whatever happens."""
    started: list[Server] = []

    def start(*options: str) -> Server:
        started.append((Server if options else ForkedServer)(tmp_path, book.place, *options))
        return started[-1]

    yield start
    for server in started:
        server.stop()


@pytest.fixture(scope="module")
def shared_app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[], Server]]:
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
def shared_book(shared_app: Callable[[], Server]) -> Iterator[LotBook]:
    """The book of the file's app, with a stock."""
    with open_book(shared_app().book) as book:
        book.stocks.add("red", "E129", 1.0)
        yield book


@pytest.fixture
def browse(browsers: Browsers) -> Iterator[Callable[[str], Page]]:
    """Opens a page in a browser with the screen of a phone or a desk."""
    yield lambda name: Page(browsers.open(), name)
    browsers.give_back()


@pytest.fixture(scope="session")
def photos(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three photos of a batch that takes on colour."""
    folder, base = tmp_path_factory.mktemp("photos"), {"caramel_a610": 0.01, "yellow_a430": 0.05}
    made = []
    for seed, mg_per_l in enumerate((1.0, 4.0, 8.0), 1):
        scene = Scene(
            reference=drink_transmittance({"E129": 12.0}, **base),
            batch=drink_transmittance({"E129": mg_per_l}, **base),
        )
        drawn = render_photo(scene, Phone(), Light(), SMALL, seed=seed)
        made.append(save_photo(drawn, folder / f"batch-{seed}.jpg"))
    return made
