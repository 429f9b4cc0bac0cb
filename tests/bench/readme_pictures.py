"""Takes the pictures of the app that README.md shows anew: the example lot on a phone and on a desk, and the first page.

Run: python tests/bench/readme_pictures.py      (needs Chromium and its driver; writes colourmatch/screens/pictures/)
"""

from __future__ import annotations

import base64
import io
import sys
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "browser"))

from driving import Page, Server, open_browser  # noqa: E402

from colourmatch.book.lot_book import open_book  # noqa: E402
from colourmatch.demo import make_example  # noqa: E402

PICTURES = ROOT / "colourmatch" / "screens" / "pictures"
#: name -> screen, its size, pixels per point, and how much of the empty top is cut off, in points
SHOWN: dict[str, tuple[str, int, int, int, int]] = {
    "start-phone": ("", 390, 872, 2, 28),
    "match-phone": ("match", 390, 872, 2, 28),
    "match-desktop": ("match", 1280, 1344, 1, 34),
}


def take(page: Page, url: str, size: tuple[int, int, int, int]) -> Image.Image:
    """One page as it stands in light colours, after its charts have come to rest."""
    width, height, density, cut = size
    shape: dict[str, Any] = {"width": width, "height": height, "deviceScaleFactor": density}
    page.tell("Emulation.setDeviceMetricsOverride", shape | {"mobile": width < 500})
    page.go(url)
    page.settle()
    png = page.tell("Page.captureScreenshot", {"format": "png"})["data"]
    picture = Image.open(io.BytesIO(base64.b64decode(png))).convert("RGB")
    return picture.crop((0, cut * density, picture.width, picture.height)).quantize(256)


def main() -> None:
    """Take and write."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with open_book(folder / "empty.sqlite"), open_book(folder / "book.sqlite") as book:
            lot, place = make_example(book), book.place
        for shown, wanted in ((str(folder / "empty.sqlite"), ""), (place, "match")):
            server, driver = Server(folder, shown), open_browser(folder / "profile")
            try:
                page = Page(driver, "phone")
                for picture, (screen, *size) in SHOWN.items():
                    if screen == wanted:
                        url = f"{server.url}/{screen}" + (f"?lot={lot}" if screen else "")
                        take(page, url, tuple(size)).save(PICTURES / f"{picture}.png", optimize=True)  # type: ignore[arg-type]
            finally:
                driver.quit()
                server.stop()


if __name__ == "__main__":
    main()
