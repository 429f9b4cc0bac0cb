"""Names with HTML on every page, files that are not what they say, and requests that no page makes; real browser."""

from __future__ import annotations

import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pytest
from driving import CHROMIUM, DRIVER, Page, Server, wait_for

from colourmatch.book.lot_book import LotBook
from colourmatch.workflow.lot import record_photos
from colourmatch.workflow.references import enter_reference

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="chromium and chromedriver are not installed"),
]
EVIL = "<img src=x onerror=document.cmHit=1><script>document.cmHit=2</script>[a](javascript:1) $x$"
SVG = b'<svg xmlns="http://www.w3.org/2000/svg" onload="document.cmHit=3"><script>document.cmHit=4</script></svg>'
HTML = b"<!doctype html><script>document.cmHit=5</script>"


@pytest.fixture
def book(shared_book: LotBook) -> LotBook:
    return shared_book


@pytest.fixture
def serve(shared_app: Callable[[], Server]) -> Callable[[], Server]:
    return shared_app


@pytest.fixture(scope="module")
def lot_id(shared_book: LotBook, photos: list[Path]) -> int:
    """A lot in which everything that a person names is called as evilly as can be."""
    book = shared_book
    stock = book.stocks.add(f"red {EVIL}"[:120], "E129", 1.0, notes=EVIL).name
    enter_reference(book, f"bottle {EVIL}"[:120], [60, 45, 30])
    lot = book.lots.begin(
        f"lot {EVIL}"[:120], 900, [stock], number=f"N {EVIL}"[:120], notes=EVIL, ceiling_mg_per_l=30
    )
    record_photos(book, lot.id, [(photos[0].read_bytes(), f"../../{EVIL}.html")], entered_by=EVIL[:120])
    book.additions.add(lot.id, stock, drops=3, entered_by=EVIL[:120])
    book.entries.add_note(lot.id, EVIL, entered_by=EVIL[:120])
    record_photos(book, lot.id, [(photos[1].read_bytes(), "x\r\nSet-Cookie: a=1.jpg")])
    return lot.id


def is_hit(page: Page) -> bool:
    return bool(
        page.run(
            'return !!document.cmHit || !!document.querySelector(\'img[src="x"], a[href^="javascript"],'
            " [onerror], [onload]')"
        )
    )


def test_names_are_text_on_every_page_and_media_are_pictures(
    serve: Callable[..., Server], browse: Callable[[str], Page], lot_id: int
) -> None:
    server, page = serve(), browse("desk")
    for path in ("", "set-up", "match", "lots", "trend", "help", "share"):
        page.go(f"{server.url}/{path}?lot={lot_id}")
        assert "Something went wrong" not in page.text()
        for tab in page.find_all('[data-testid="stTab"]'):
            tab.click()
            page.settle()
            assert not is_hit(page), f"{path}, {tab.text}"
        assert not is_hit(page), path
        if path == "match":
            assert "onerror" in page.text(), "the name is not shown as it was typed"
            media = page.run(
                "return [...document.images].map(image => image.src).filter(src => src.includes('/media/'))"
            )
            assert media
            for address in media:
                check_medium(address)
        assert not page.complaints(), path


def check_medium(address: str) -> None:
    """A picture of our own making: named by its content, typed as a picture, and nothing it holds can run."""
    name = address.rpartition("/")[2]
    stem, _, ending = name.partition(".")
    assert len(stem) >= 32 and set(stem) <= set("0123456789abcdef") and ending in ("jpg", "jpeg", "png")
    with urllib.request.urlopen(address, timeout=600) as reply:
        assert reply.headers["content-type"] in ("image/jpeg", "image/png")
        assert reply.headers["content-security-policy"].startswith("sandbox; default-src 'none'")
        assert reply.headers["x-content-type-options"] == "nosniff"


def test_files_that_are_no_photos_are_refused_and_never_served(
    serve: Callable[..., Server], browse: Callable[[str], Page], book: LotBook, tmp_path: Path
) -> None:
    lot_id = book.lots.begin("aperitif", 900, ["red"]).id
    files = {"page.jpg": HTML, "drawing.jpg": SVG, "empty.png": b"", "drawing.svg": SVG}
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    server, page = serve(), browse("phone")
    page.go(f"{server.url}/match?lot={lot_id}")
    page.upload(*(tmp_path / name for name in files))
    page.wait_text("Not measured")
    page.settle()
    assert "page.jpg: This is not a readable photo" in page.text()
    assert not is_hit(page) and not book.lots.story(lot_id).photos
    assert not page.run("return [...document.images].filter(image => image.src.includes('/media/')).length")


def test_too_many_files_at_once_are_refused(
    serve: Callable[..., Server], browse: Callable[[str], Page], book: LotBook, tmp_path: Path
) -> None:
    lot_id = book.lots.begin("aperitif", 900, ["red"]).id
    many = [tmp_path / f"photo-{number}.jpg" for number in range(21)]
    for number, file in enumerate(many):
        file.write_bytes(HTML + bytes([number]))
    server, page = serve(), browse("phone")
    page.go(f"{server.url}/match?lot={lot_id}")
    page.upload(*many)
    page.wait_text("21 files are chosen, and 20 can be taken at once.")
    page.settle()
    page.picture("too-many")
    assert not book.lots.story(lot_id).photos


def test_requests_that_no_page_makes(serve: Callable[..., Server], browse: Callable[[str], Page]) -> None:
    """What is sent past the pages: too large, without the token, under another name, to a file outside."""
    server = serve()

    def ask(path: str, method: str = "GET", body: bytes | None = None, **headers: str) -> int:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        request = urllib.request.Request(server.url + path, body, named, method=method)
        try:
            with urllib.request.urlopen(request, timeout=600) as reply:
                return int(reply.status)
        except urllib.error.HTTPError as error:
            return error.code

    assert ask("/_stcore/health") == 200
    assert ask("/_stcore/health", Host="evil.example") == 403
    assert ask("/_stcore/health", Origin="http://evil.example") == 403
    assert ask("/_stcore/upload_file/page/file", "PUT", HTML) == 403, "an upload without the page's own token"
    for path in (
        "/app/static/x",
        "/..%2f..%2fapp.py",
        "/static/..%2f..%2f..%2fapp.py",
        "/media/..%2f..%2fapp.py",
    ):
        assert ask(path, Accept="*/*") in (200, 400, 403, 404)
    for path in ("/..%2f..%2fapp.py", "/static/..%2f..%2f..%2fapp.py"):
        request = urllib.request.Request(server.url + path)
        try:
            with urllib.request.urlopen(request, timeout=600) as reply:
                assert b"colourmatch.screens" not in reply.read()
        except urllib.error.HTTPError:
            pass


def test_the_log_holds_no_names_addresses_or_codes(
    serve: Callable[..., Server], browse: Callable[[str], Page], book: LotBook, lot_id: int
) -> None:
    server, page = serve(), browse("desk")
    page.go(f"{server.url}/match?lot={lot_id}")
    wait_for(lambda: "onerror" in page.text(), "the page is empty")
    log = server.log.read_text()
    for secret in ("onerror", "lot=", "upload_file", "_stcore", "Cookie", f"{server.port}/match"):
        assert secret not in log, log
