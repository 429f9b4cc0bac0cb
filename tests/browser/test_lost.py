"""The app is killed, started again, reloaded and left in the middle of the work; nothing confirmed is lost."""

import shutil
import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urljoin

import pytest
from driving import Page, wait_for
from selenium.webdriver import ActionChains
from selenium.webdriver.common.keys import Keys

from colourmatch.book.lot_book import LotBook

GONE, NAME = "The app does not answer.", "Your name or initials (optional)"
ADDED = ".st-key-cm-bar button[data-testid=stBaseButton-primary]"
#: As unsent.js puts a text back: the frame hears that it was typed.
_TYPE = """
const [field, text] = arguments;
Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, 'value').set.call(field, text);
field.dispatchEvent(new Event('input', { bubbles: true }));
"""
_VISITS_LEFT = """
return performance.getEntriesByType('resource').some(one => one.name.endsWith('/_colourmatch/left'));
"""


@pytest.fixture
def lot_id(play: Callable[..., int], photos: list[Path]) -> int:
    """A lot with its first photo."""
    return play(photos[:1], ceiling_mg_per_l=30)


@pytest.fixture
def begun(book: LotBook, red: str) -> int:
    """A lot before its first photo: its page is drawn in half the time."""
    return book.lots.begin("aperitif", 900, [red], ceiling_mg_per_l=30).id


def shown(page: Page, label: str) -> list[str]:
    """What stands in the fields of this name."""
    return [str(field.get_attribute("value")) for field in page.find_all(f"[aria-label='{label}']")]


def write_in(page: Page, label: str, text: str, *keys: str) -> None:
    """Type into a field in place of what stands there; without a key after it the field is not left."""
    field = page.click(f"[aria-label='{label}']")
    field.send_keys(Keys.CONTROL, "a")
    field.send_keys(text, *keys)


def half_type(page: Page, label: str, text: str) -> None:
    """Letters in a field that is not left, open or folded: the app does not know of them."""
    page.run(_TYPE, page.find(f"[aria-label='{label}']"), text)


def test_what_was_typed_and_a_tap_outlive_a_crash_and_the_tap_counts_once(app, visit, book, lot_id):
    server, page = app(), visit(f"match?lot={lot_id}")
    page.unfold()
    write_in(page, NAME, "AB", "\n")
    page.settle()
    half_type(page, "Reason", "weighed it again")
    server.kill()
    page.wait_text(GONE)
    assert "Are you connected to the internet" not in page.text()
    assert all(not button.is_enabled() for button in page.find_all(".stButton button"))
    page.pictures("lost")
    server.start()
    wait_for(lambda: GONE not in page.text(), "the page did not come back")
    page.settle()
    assert shown(page, NAME) == ["AB"] and "weighed it again" in shown(page, "Reason")
    added = page.find(ADDED)
    page.run("arguments[0].scrollIntoView({block: 'center'})", added)
    ActionChains(page.driver).double_click(added).perform()
    wait_for(lambda: book.lots.story(lot_id).additions, "the tap was not written down")
    server.kill()
    page.wait_text(GONE)
    server.start()
    page.find(".cm-answer.photo")
    page.settle()
    assert not page.find_all(ADDED)
    page.driver.refresh()
    page.find(".cm-answer.photo")
    (entry,) = book.lots.story(lot_id).additions
    assert entry.entered_by == "AB" and not page.complaints()


def test_a_reload_in_the_middle_of_an_upload_loses_nothing_confirmed(visit, book, begun, photos):
    photos = photos[:3]
    page = visit(f"match?lot={begun}")
    page.upload(*photos)
    wait_for(lambda: book.lots.story(begun).photos, "no photo was measured")
    page.driver.refresh()
    page.settle()
    kept = [photo.sha256 for photo in book.lots.story(begun).photos]
    assert 1 <= len(kept) <= 3
    page.driver.refresh()
    page.settle()
    page.upload(*photos)
    wait_for(lambda: len(book.lots.story(begun).photos) == 3, "the rest was not measured")
    page.settle()
    story = book.lots.story(begun)
    assert [photo.sha256 for photo in story.photos][: len(kept)] == kept
    assert len({photo.sha256 for photo in story.photos}) == 3
    page.wait_text("It is in this lot already and is not counted again.")


def test_two_windows_of_one_browser_do_not_share_an_act(visit, book, begun):
    """Each window writes its own note; were their tokens one, the second would be taken for a repeated tap."""
    page = visit(f"match?lot={begun}", "desk")
    url, first = page.driver.current_url, page.driver.current_window_handle
    page.driver.switch_to.new_window("tab")
    page.take_window()
    page.go(url)
    second = page.driver.current_window_handle

    def choose_note():
        # on a busy machine the first window may lose its connection, and one tap with it, while the second opens
        page.tap("button", "Note")
        page.settle()
        return page.find_all("[aria-label='Note']")

    for window in (first, second):
        page.driver.switch_to.window(window)
        page.unfold()
        page.unfold("Sample, blending back, note")
        wait_for(choose_note, "no field for a note")
        write_in(page, "Note", f"of {window}", Keys.TAB)
        page.settle()
    for window, count in ((first, 1), (second, 2)):
        page.driver.switch_to.window(window)
        page.tap("button", "Write it down")
        notes = lambda: [e for e in book.lots.story(begun).events if e.kind == "note"]  # noqa: E731
        wait_for(lambda count=count, notes=notes: len(notes()) == count, "not written down")


def test_what_is_half_typed_survives_a_reload_and_a_closed_tab(visit, book, begun):
    page = visit(f"match?lot={begun}", "desk")
    assert not page.run(_VISITS_LEFT)
    reload_half_typed(page, {"How many drops": "7", "Reason": "weighed ag"})
    assert page.run(_VISITS_LEFT), "the page before was not named"
    page.go("/set-up")
    page.tap("*[@data-testid='stTab']", "New lot")
    page.settle()
    write_in(page, "Name of the lot", "bitter aperitif", Keys.TAB)
    page.settle()
    write_in(page, "Batch, ml", "900")
    others = {"Name of the stock": "yell", "Grams": "1.93", "Name": "the bott"}
    reload_half_typed(page, {"Your ceiling, mg/l": "4"} | others)
    assert page.find('[data-testid="stTab"][aria-selected="true"]').text == "New lot"
    assert shown(page, "Name of the lot") == ["bitter aperitif"] and "900" in shown(page, "Batch, ml")
    half_type(page, "Lot number (optional)", "2025-")
    url, old = page.driver.current_url, page.driver.current_window_handle
    page.driver.switch_to.new_window("tab")
    new = page.driver.current_window_handle
    page.driver.switch_to.window(old)
    page.driver.close()
    page.driver.switch_to.window(new)
    page.take_window()
    page.go(urljoin(url, "/set-up?part=New+lot"))
    wait_for(lambda: shown(page, "Lot number (optional)") == ["2025-"], "the word under way is lost")
    page.settle()
    before = book.lots.count()
    page.tap("button", "Begin the lot")
    wait_for(lambda: book.lots.count() > before, "the lot was not begun")
    lot = book.lots.search()[0]
    assert (lot.name, lot.number, lot.volume_ml, lot.ceiling_mg_per_l) == ("bitter aperitif", "2025-", 900, 4)
    page.settle()
    page.go("/set-up?part=New+lot")
    time.sleep(1)  # what was put back before would come within this
    assert shown(page, "Name of the lot") == [""]


def reload_half_typed(page: Page, texts: dict[str, str]) -> None:
    """Type into fields of several forms, leave none of them, and load the page again: all stands there."""
    for label, text in texts.items():
        half_type(page, label, text)
    page.driver.refresh()
    page.settle()
    for label, text in texts.items():
        wait_for(lambda label=label, text=text: text in shown(page, label), f"{label}: {text!r} is lost")
    page.settle()


def test_a_browser_keeps_the_name_of_who_enters(app, visit):
    server, page = app(), visit("set-up")
    set_up = page.driver.current_url
    page.unfold("Name, measures")
    write_in(page, NAME, "Zoë <1>", "\n")
    page.settle()
    shutil.rmtree(server.folder / "state", ignore_errors=True)  # what the app itself keeps
    for typed in ("Zoë <1>", ""):
        page.driver.switch_to.new_window("tab")  # the others stay open
        page.take_window()
        page.go(set_up)
        assert shown(page, NAME) == [typed]
        if typed:
            page.unfold("Name, measures")
            write_in(page, NAME, "\b", "\n")
            page.settle()
    assert not page.complaints()
