"""Phone and desk together: the code by QR and by hand, wrong codes, and what stopping does; in real browsers."""

import re
import urllib.error
import urllib.request
from collections.abc import Iterator

import pytest
from driving import Page, Server, wait_for

from colourmatch.book.lot_book import open_book
from colourmatch.errors import InputError
from colourmatch.sharing.network import find_local_address


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """One app for the file, whose last test ends the sharing."""
    try:
        find_local_address()
    except InputError as error:
        pytest.skip(f"no network to share in: {error.text}")
    folder = tmp_path_factory.mktemp("shared")
    with open_book(folder / "book.sqlite") as book:
        book.stocks.add("red", "E129", 1.0)
        book.lots.begin("aperitif", 900, ["red"], ceiling_mg_per_l=30)
        server = Server(folder, book.place, "--share")
    yield server
    server.stop()


def status(url: str) -> int:
    try:
        with urllib.request.urlopen(url, timeout=600) as reply:
            return int(reply.status)
    except urllib.error.HTTPError as error:
        return error.code


def test_a_wrong_code_waits_and_a_reload_does_not_shorten_it(shared, browse):
    told = shared.told["share"]
    page = browse("phone")
    page.driver.get(f"{told['url']}/match?lot=1")
    page.pictures("entry")
    for typed in ("AAAA-AAAA", "BBBB-BBBB"):
        field = page.find("#code")
        button = page.find("button")
        wait_for(button.is_enabled, "the wait for the next try never ended")
        field.send_keys(typed)
        page.leave(button.click)  # the sentence stood on the page before, too: the answer is a new page
        page.wait_text("That is not the code.")
    page.pictures("entry-wrong")
    page.driver.get(f"{told['url']}/match?lot=1")
    page.wait_text("A wrong code was entered.")
    assert not page.find("button").is_enabled()
    page.wait_text("Try again now.")
    page.find("#code").send_keys(told["code"].lower().replace("-", ""))
    page.find("button").click()
    page.settle()
    assert page.driver.current_url == f"{told['url']}/match?lot=1"
    assert not page.complaints()
    assert "wrong access code" in shared.log.read_text() and "AAAA" not in shared.log.read_text()


def test_without_the_cookie_the_network_gets_nothing(shared, browse):
    """Every file that the frontend asks for at this machine is refused at the shared address."""
    here, there = shared.url, shared.told["share"]["url"]
    page = browse("desk")
    page.go(f"{here}/match?lot=1")
    names = page.run("return performance.getEntriesByType('resource').map(entry => entry.name)")
    paths = {name.removeprefix(here) for name in names if name.startswith(here)}
    assert len(paths) > 30
    for path in sorted(paths)[:40]:
        assert status(there + path) == 401, path
    inner = (f"/_stcore/{one}" for one in ("health", "metrics", "host-config"))
    for path in ("/", *inner, "/match", "/static/index.html"):
        assert status(there + path) == 401, path
        assert status(here + path) in (200, 404, 403), path


def test_from_the_scan_to_the_end_of_sharing(shared, browse):
    told = shared.told["share"]
    desk, phone = browse("desk"), browse("phone")
    desk.go(shared.url)
    desk.tap("a", "Share")
    desk.wait_text(told["code"])
    before = wait_for(lambda: find_others(desk), "nothing says who is in")
    desk.settle()
    drawn = "return document.querySelector('.cm-qr').naturalWidth"
    wait_for(lambda: desk.run(drawn), "the QR code is not drawn")
    desk.pictures("share")

    phone.go(told["url_with_code"])
    assert phone.driver.current_url == f"{told['url']}/" and told["code"] not in phone.text()
    cookie = phone.driver.get_cookie(f"colourmatch_{shared.port}")
    assert cookie["httpOnly"] and cookie["sameSite"] == "Strict" and "expiry" not in cookie
    assert "Share" not in [link.text for link in phone.find_all('.st-key-cm-menu [data-testid="stPageLink"]')]
    phone.driver.back()
    phone.driver.forward()
    phone.settle()
    assert told["code"] not in phone.driver.current_url

    phone.go(f"{told['url']}/share")
    phone.wait_text("This browser came in with the access code.")
    assert "Stop sharing" not in phone.text() and told["code"] not in phone.text()
    phone.pictures("share-visitor")
    phone.go(f"{told['url']}/match?lot=1")
    wait_for(lambda: find_others(desk) not in ("", before), "the phone is not counted")

    desk.tap("button", "Stop sharing")
    desk.wait_text("Sharing is stopped")
    desk.settle()
    desk.picture("share-stopped")
    phone.wait_text("is no longer let in")
    phone.pictures("share-over")
    phone.driver.refresh()
    phone.wait_text("Sharing is stopped")
    desk.go(f"{shared.url}/match?lot=1")
    assert not desk.complaints() and not phone.complaints()
    assert told["code"] not in shared.log.read_text() and cookie["value"] not in shared.log.read_text()


def find_others(desk: Page) -> str:
    """What the page says of how many are in."""
    found = re.search(r"(No|\d+) other browsers? ", desk.text())
    return found[0] if found else ""
