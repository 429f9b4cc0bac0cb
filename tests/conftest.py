"""What several rooms' tests share: no test touches the user's own book, and photos drawn once for all."""

from __future__ import annotations

import os
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does, and before numpy starts

import pytest

from colourmatch.demo import Kitchen, draw_demo_photo
from colourmatch.simulate import save_photo

SAMPLE_PHOTOS = Path(__file__).parent / "photos"


@pytest.fixture(scope="session", autouse=True)
def _own_book(tmp_path_factory: pytest.TempPathFactory):
    """A book of the test run's own stands where the user's would be found."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLOURMATCH_BOOK", str(tmp_path_factory.mktemp("own") / "book.sqlite"))
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        yield


@pytest.fixture(scope="session")
def drawn_photos(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Photos of the invented lot after 0 and 64 drops, 2016 x 1512 pixels."""
    folder = tmp_path_factory.mktemp("drawn")
    return [
        save_photo(draw_demo_photo(Kitchen().add_drops(drops), 1), folder / f"after-{drops}.jpg")
        for drops in (0, 64)
    ]


@pytest.fixture(scope="session")
def sample_photos() -> Path:
    """The folder of sample photos whose truth is known (truth.json)."""
    return SAMPLE_PHOTOS
