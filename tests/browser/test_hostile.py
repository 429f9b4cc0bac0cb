"""Files that are not what they say, and requests that no page makes; real browser."""

import urllib.error
import urllib.request

SVG = b'<svg xmlns="http://www.w3.org/2000/svg" onload="document.cmHit=3"><script>document.cmHit=4</script></svg>'
HTML = b"<!doctype html><script>document.cmHit=5</script>"


def test_files_that_are_no_photos_or_too_many_are_refused_and_never_served(visit, book, red, tmp_path):
    lot_id = book.lots.begin("aperitif", 900, [red]).id
    files = {"page.jpg": HTML, "drawing.jpg": SVG, "empty.png": b"", "drawing.svg": SVG}
    many = {f"photo-{number}.jpg": HTML + bytes([number]) for number in range(21)}
    for name, content in (files | many).items():
        (tmp_path / name).write_bytes(content)
    page = visit(f"match?lot={lot_id}")
    page.upload(*(tmp_path / name for name in files))
    page.wait_text("Not measured")
    page.settle()
    assert "page.jpg: This is not a readable photo" in page.text()
    assert not page.run("return !!document.cmHit || !!document.querySelector('img[src*=\"/media/\"]')")
    page.upload(*(tmp_path / name for name in many))
    page.wait_text("21 files are chosen, and 20 can be taken at once.")
    page.settle()
    page.picture("too-many")
    assert not book.lots.story(lot_id).photos


def test_requests_that_no_page_makes(app):
    """What is sent past the pages: without the token, under another name, to a file outside."""
    server = app()

    def ask(path: str, method: str = "GET", body: bytes | None = None, **headers: str) -> tuple[int, bytes]:
        request = urllib.request.Request(server.url + path, body, headers, method=method)
        try:
            with urllib.request.urlopen(request, timeout=600) as reply:
                return int(reply.status), reply.read()
        except urllib.error.HTTPError as error:
            return error.code, error.read()

    assert ask("/_stcore/health")[0] == 200
    assert ask("/_stcore/health", Host="evil.example")[0] == 403
    assert ask("/_stcore/upload_file/page/file", "PUT", HTML)[0] == 403  # without the page's own token
    outside = (f"{start}/..%2f..%2fapp.py" for start in ("", "/static", "/media"))
    for path in ("/app/static/x", *outside):
        status, content = ask(path, Accept="*/*")
        assert status in (200, 400, 403, 404) and b"colourmatch.screens" not in content, path
