"""Takes the picture of the app that README.md shows: the example lot on a desk.

Run: python tests/bench/readme_pictures.py      (needs Chromium and its driver; writes PICTURE)
"""

from __future__ import annotations

import base64
import io
import sys
import tempfile
from pathlib import Path

from PIL import Image

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "browser"))

from driving import Page, Server, open_browser, play_example  # noqa: E402

from colourmatch.book.lot_book import open_book  # noqa: E402

PICTURE = ROOT / "colourmatch" / "screens" / "pictures" / "match-desktop.png"
#: The page's size in points, and how much of its empty top is cut off.
WIDTH, HEIGHT, CUT = 1280, 960, 22


def take(page: Page, url: str) -> Image.Image:
    """One page as it stands in light colours, after its charts have come to rest."""
    shape = {"width": WIDTH, "height": HEIGHT, "deviceScaleFactor": 1, "mobile": False}
    page.tell("Emulation.setDeviceMetricsOverride", shape)
    page.go(url)
    page.settle()
    png = page.tell("Page.captureScreenshot", {"format": "png"})["data"]
    picture = Image.open(io.BytesIO(base64.b64decode(png))).convert("RGB")
    return picture.crop((0, CUT, picture.width, picture.height)).quantize(256)


def main() -> None:
    """Take and write."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with open_book(folder / "book.sqlite") as book:
            lot, place = play_example(book), book.place
        server, driver = Server(folder, place), open_browser(folder / "profile")
        try:
            take(Page(driver, "desk"), f"{server.url}/match?lot={lot}").save(PICTURE, optimize=True)
        finally:
            driver.quit()
            server.stop()


if __name__ == "__main__":
    main()
