"""Books and drawn photos for the screens' tests; the photos are small, because drawing costs time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest

from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.simulate import Light, Phone, Pose, Scene, drink_transmittance, render_photo, save_photo

BASE = {"caramel_a610": 0.01, "yellow_a430": 0.05}
#: Of the same colours as at full size, and drawn in a third of the time.
SMALL = Pose(fill=0.85, tilt_degrees=3, width_px=1200, height_px=900)


@pytest.fixture(scope="session")
def draw_photo() -> Callable[[Path, float, int], Path]:
    """Draws a photo of a reference with 12 mg/l of E129 and a batch with another amount, in good light."""

    def draw(folder: Path, batch_mg_per_l: float, seed: int) -> Path:
        scene = Scene(
            reference=drink_transmittance({"E129": 12.0}, **BASE),
            batch=drink_transmittance({"E129": batch_mg_per_l}, **BASE),
        )
        rendered = render_photo(scene, Phone(), Light(), SMALL, seed=seed)
        return save_photo(rendered, folder / f"batch-{seed}.jpg")

    return draw


@pytest.fixture(scope="session")
def photos(
    tmp_path_factory: pytest.TempPathFactory, draw_photo: Callable[[Path, float, int], Path]
) -> list[Path]:
    """Two photos: the batch before the first drop, and after it."""
    folder = tmp_path_factory.mktemp("photos")
    return [draw_photo(folder, 1.0, 1), draw_photo(folder, 8.0, 2)]


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


@pytest.fixture(scope="module", autouse=True)
def _remembered(remembered: None) -> None:
    """Readings and fits are kept for all tests here."""
