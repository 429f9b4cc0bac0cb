"""The app is killed, started again, reloaded and left in the middle of the work; nothing confirmed is lost."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from driving import CHROMIUM, DRIVER, Page, Server, wait_for

from colourmatch.book.lot_book import LotBook
from colourmatch.workflow.lot import record_photos

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="chromium and chromedriver are not installed"),
]
GONE, REASON = "The app does not answer.", '[aria-label="Reason"]'


@pytest.fixture
def book(shared_book: LotBook) -> LotBook:
    return shared_book


@pytest.fixture
def serve(shared_app: Callable[[], Server]) -> Callable[[], Server]:
    return shared_app


@pytest.fixture
def lot_id(book: LotBook, photos: list[Path]) -> int:
    """A lot with its first photo."""
    lot = book.lots.begin("aperitif", 900, ["red"], ceiling_mg_per_l=30)
    record_photos(book, lot.id, [photos[0]])
    return lot.id


def test_killed_and_started_again_while_something_is_typed(
    serve: Callable[..., Server], browse: Callable[[str], Page], lot_id: int
) -> None:
    server, page = serve(), browse("phone")
    page.go(f"{server.url}/match?lot={lot_id}")
    page.unfold()
    write_in(page, "Your name or initials (optional)", "AB", "\n")
    page.settle()
    page.tap("summary", "Put figures of the lot right")
    page.settle()
    reason = next(field for field in page.find_all(REASON) if field.is_displayed())
    reason.send_keys("weighed it again")
    server.kill()
    page.wait_text(GONE)
    assert "Are you connected to the internet" not in page.text()
    assert all(not button.is_enabled() for button in page.find_all(".stButton button"))
    page.pictures("lost")
    server.start()
    wait_for(lambda: GONE not in page.text(), "the page did not come back")
    page.settle()
    assert page.find("[aria-label='Your name or initials (optional)']").get_attribute("value") == "AB"
    typed = [field.get_attribute("value") for field in page.find_all(REASON)]
    assert "weighed it again" in typed
    assert not page.complaints()


def test_a_tap_that_the_crash_cut_off_counts_once(
    serve: Callable[..., Server], browse: Callable[[str], Page], book: LotBook, lot_id: int
) -> None:
    from selenium.webdriver import ActionChains

    server, page = serve(), browse("phone")
    page.go(f"{server.url}/match?lot={lot_id}")
    path = "//button[contains(., 'Added')]"
    button = wait_for(lambda: page.driver.find_elements("xpath", path), "no button to tap")[0]
    page.run("arguments[0].scrollIntoView({block: 'center'})", button)
    ActionChains(page.driver).double_click(button).perform()
    wait_for(lambda: book.lots.story(lot_id).additions, "the tap was not written down")
    server.kill()
    page.wait_text(GONE)
    server.start()
    page.find(".cm-answer.photo")
    page.settle()
    assert not page.driver.find_elements("xpath", path)
    assert len(book.lots.story(lot_id).additions) == 1
    page.driver.refresh()
    page.find(".cm-answer.photo")
    assert len(book.lots.story(lot_id).additions) == 1


def test_a_reload_in_the_middle_of_an_upload_loses_nothing_confirmed(
    serve: Callable[..., Server], browse: Callable[[str], Page], book: LotBook, photos: list[Path]
) -> None:
    lot_id = book.lots.begin("aperitif", 900, ["red"], ceiling_mg_per_l=30).id
    server, page = serve(), browse("phone")
    page.go(f"{server.url}/match?lot={lot_id}")
    page.upload(*photos)
    wait_for(lambda: book.lots.story(lot_id).photos, "no photo was measured")
    page.driver.refresh()
    page.settle()
    kept = [photo.sha256 for photo in book.lots.story(lot_id).photos]
    assert 1 <= len(kept) <= 3
    page.driver.refresh()
    page.settle()
    page.upload(*photos)
    wait_for(lambda: len(book.lots.story(lot_id).photos) == 3, "the rest was not measured")
    page.settle()
    story = book.lots.story(lot_id)
    assert [photo.sha256 for photo in story.photos][: len(kept)] == kept
    assert len({photo.sha256 for photo in story.photos}) == 3
    assert "It is in this lot already and is not counted again." in page.text()


def test_two_windows_of_one_browser_do_not_share_an_act(
    serve: Callable[..., Server], browse: Callable[[str], Page], book: LotBook, lot_id: int
) -> None:
    """Each window writes its own note; were their tokens one, the second would be taken for a repeated tap."""
    from selenium.webdriver.common.keys import Keys

    server, page = serve(), browse("desk")
    page.go(f"{server.url}/match?lot={lot_id}")
    first = page.driver.current_window_handle
    page.driver.switch_to.new_window("tab")
    page.show_in("light")
    page.go(f"{server.url}/match?lot={lot_id}")
    second = page.driver.current_window_handle
    for window in (first, second):
        page.driver.switch_to.window(window)
        page.unfold()
        page.tap("summary", "Sample, blending back, note")
        page.settle()
        page.tap("button", "Note")
        page.settle()
        write_in(page, "Note", f"of {window}", Keys.TAB)
        page.settle()
    for window, count in ((first, 1), (second, 2)):
        page.driver.switch_to.window(window)
        page.tap("button", "Write it down")
        notes = lambda: [e for e in book.lots.story(lot_id).events if e.kind == "note"]  # noqa: E731
        wait_for(lambda count=count, notes=notes: len(notes()) == count, "not written down")


def shown(page: Page, label: str) -> str:
    """What stands in the field of this name."""
    return str(page.find(f"[aria-label='{label}']").get_attribute("value"))


def write_in(page: Page, label: str, text: str, *keys: str) -> None:
    """Type into a field in place of what stands there; without a key after it the field is not left."""
    from selenium.webdriver.common.keys import Keys

    field = wait_for(
        lambda: next((e for e in page.find_all(f"[aria-label='{label}']") if e.is_displayed()), None),
        label,
    )
    field.send_keys(Keys.CONTROL, "a")
    field.send_keys(text, *keys)


def test_a_new_lot_half_typed_survives_a_reload_and_a_closed_tab(
    serve: Callable[..., Server], browse: Callable[[str], Page], book: LotBook
) -> None:
    from selenium.webdriver.common.keys import Keys

    server, page = serve(), browse("phone")
    page.go(f"{server.url}/set-up")
    page.tap("*[@data-testid='stTab']", "New lot")
    page.settle()
    write_in(page, "Name of the lot", "bitter aperitif", Keys.TAB)
    write_in(page, "Batch, ml", "900", Keys.TAB)
    page.settle()
    page.tap("summary", "More")
    page.settle()
    write_in(page, "Your ceiling, mg/l", "4")  # in the middle of a number
    page.driver.refresh()
    page.settle()
    assert page.find('[data-testid="stTab"][aria-selected="true"]').text == "New lot"
    wait_for(lambda: shown(page, "Your ceiling, mg/l") == "4", "the number under way is lost")
    assert (shown(page, "Name of the lot"), shown(page, "Batch, ml")) == ("bitter aperitif", "900")
    if not page.find("[aria-label='Lot number (optional)']").is_displayed():
        page.tap("summary", "More")
        page.settle()
    write_in(page, "Lot number (optional)", "2025-")
    old = page.driver.current_window_handle
    page.driver.switch_to.new_window("tab")
    new = page.driver.current_window_handle
    page.driver.switch_to.window(old)
    page.driver.close()
    page.driver.switch_to.window(new)
    page.show_in("light")
    page.go(f"{server.url}/set-up?part=New+lot")
    wait_for(lambda: shown(page, "Lot number (optional)") == "2025-", "the word under way is lost")
    assert (shown(page, "Name of the lot"), shown(page, "Batch, ml")) == ("bitter aperitif", "900")
    page.settle()
    before = book.lots.count()
    page.tap("button", "Begin the lot")
    wait_for(lambda: book.lots.count() > before, "the lot was not begun")
    lot = book.lots.search()[0]
    assert (lot.name, lot.number, lot.volume_ml, lot.ceiling_mg_per_l) == ("bitter aperitif", "2025-", 900, 4)
    page.settle()
    page.go(f"{server.url}/set-up?part=New+lot")
    time.sleep(2)  # what was put back before would come within this
    assert shown(page, "Name of the lot") == ""


def test_what_is_under_way_in_the_other_forms_survives_a_reload(
    serve: Callable[..., Server], browse: Callable[[str], Page], book: LotBook, lot_id: int
) -> None:
    server, page = serve(), browse("desk")
    places = (
        (f"match?lot={lot_id}", "Another amount went in", "How many drops", "7"),
        (f"match?lot={lot_id}", "Put figures of the lot right", "Reason", "weighed ag"),
        ("set-up", "Add a stock", "Name of the stock", "yell"),
        ("set-up?part=Drops", "", "Grams", "1.93"),
        ("set-up?part=References", "Note a reference", "Name", "the bott"),
    )
    for path, fold, label, text in places:
        page.go(f"{server.url}/{path}")
        if fold and not any(e.is_displayed() for e in page.find_all(f"[aria-label='{label}']")):
            page.tap("summary", fold)
            page.settle()
        write_in(page, label, text)
        page.driver.refresh()
        page.settle()
        wait_for(
            lambda label=label, text=text: (
                text in [e.get_attribute("value") for e in page.find_all(f"[aria-label='{label}']")]
            ),
            f"{label}: {text!r} is lost",
        )


def test_a_reloaded_page_says_which_visit_it_takes_the_place_of(
    serve: Callable[..., Server], browse: Callable[[str], Page]
) -> None:
    server, page = serve(), browse("phone")
    told = (
        "return performance.getEntriesByType('resource').some(one => one.name.endsWith('/_colourmatch/left'))"
    )
    page.go(server.url)
    page.settle()
    assert not page.run(told)
    page.driver.refresh()
    wait_for(lambda: page.run(told), "the page before was not named")


def test_a_browser_keeps_the_name_of_who_enters(
    serve: Callable[..., Server], browse: Callable[[str], Page]
) -> None:
    server, page = serve(), browse("phone")
    set_up, name = f"{server.url}/set-up", "Your name or initials (optional)"
    page.go(set_up)
    page.tap("summary", "Name, measures")
    write_in(page, name, "Zoë <1>", "\n")
    page.settle()
    shutil.rmtree(server.folder / "state", ignore_errors=True)  # what the app itself keeps
    for typed in ("Zoë <1>", "Zoë <1>", ""):
        page.driver.switch_to.new_window("tab")  # the others stay open
        page.go(set_up)
        assert page.find(f"[aria-label='{name}']").get_attribute("value") == typed
        if len(page.driver.window_handles) == 3:
            page.tap("summary", "Name, measures")
            write_in(page, name, "\b", "\n")
            page.settle()
    assert not page.complaints()
