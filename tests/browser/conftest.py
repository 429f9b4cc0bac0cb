"""Browsers, servers and drawn photos for the tests that drive the app from outside."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from driving import Browsers, Page, Server

from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.simulate import Light, Phone, Pose, Scene, drink_transmittance, render_photo, save_photo


@pytest.fixture
def book(tmp_path: Path) -> LotBook:
    return open_book(tmp_path / "book.sqlite")


@pytest.fixture
def serve(tmp_path: Path, book: LotBook) -> Iterator[Callable[..., Server]]:
    """Starts the app with the options given; it is ended whatever happens."""
    started: list[Server] = []

    def start(*options: str) -> Server:
        started.append(Server(tmp_path, book.place, *options))
        return started[-1]

    yield start
    for server in started:
        server.stop()


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
        drawn = render_photo(scene, Phone(), Light(), Pose(fill=0.85, tilt_degrees=3), seed=seed)
        made.append(save_photo(drawn, folder / f"batch-{seed}.jpg"))
    return made
