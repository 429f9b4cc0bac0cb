"""Match on a phone is one answer: what stands in the first screen is counted, and nothing moves after a photo."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from driving import CHROMIUM, DRIVER, Page, Server, press, tab_to, wait_for

from colourmatch.book.lot_book import LotBook
from colourmatch.simulate import Light, Phone, Pose, Scene, drink_transmittance, render_photo, save_photo
from colourmatch.workflow.lot import record_photos

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="chromium and chromedriver are not installed"),
]
MOST_WORDS, MOST_NUMBERS, LEAST_PX, MOST_HEIGHT_PX, MOST_SHIFT = 60, 8, 48, 2200, 0.1
#: Words and numbers that are in sight, names of icons left out; the largest letters; the height of the page.
_FIRST_SCREEN = """
const seen = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
let largest = 0;
while (walk.nextNode()) {
  const text = walk.currentNode.textContent.trim(), holder = walk.currentNode.parentElement;
  if (!text || holder.closest('script, style, .cm-unseen, [data-testid=stIconMaterial]') || !holder.checkVisibility()) continue;
  const range = document.createRange();
  range.selectNodeContents(walk.currentNode);
  const inside = box => box.width > 1 && box.height > 1 && box.top < innerHeight && box.bottom > 0 && box.left >= 0;
  if (![...range.getClientRects()].some(inside)) continue;
  seen.push(text);
  largest = Math.max(largest, parseFloat(getComputedStyle(holder).fontSize));
}
for (const field of document.querySelectorAll('input[type=number]'))
  if (field.checkVisibility() && field.getBoundingClientRect().top < innerHeight) seen.push(field.value);
const text = seen.join(' ');
return {
  words: text.split(/\\s+/).filter(one => /[a-z0-9]/i.test(one)).length,
  numbers: (text.match(/\\d+(?:\\.\\d+)?/g) || []).length, largest, text,
  height: document.querySelector('[data-testid=stMain]').scrollHeight,
};
"""
_ACT = ".st-key-cm-bar :is(button[data-testid=stBaseButton-primary], .st-key-cm-shoot button)"
_WATCH = """
window.cmShift = 0;
window.cmMoved = [];
new PerformanceObserver(list => {
  for (const one of list.getEntries()) {
    window.cmShift += one.value;
    for (const { node, previousRect: old, currentRect: now } of one.sources || [])
      window.cmMoved.push([(node || {}).className || String(node), old.x, old.y, old.height, now.x, now.y, now.height, one.value]);
  }
}).observe({ type: 'layout-shift', buffered: false });
"""


@pytest.fixture
def book(shared_book: LotBook) -> LotBook:
    return shared_book


@pytest.fixture
def serve(shared_app: Callable[[], Server]) -> Callable[[], Server]:
    return shared_app


@pytest.fixture(scope="module")
def matched(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three photos of a batch on its way, the last of them of a match."""
    folder, base = tmp_path_factory.mktemp("matched"), {"caramel_a610": 0.01, "yellow_a430": 0.05}
    made, pose = [], Pose(fill=0.85, tilt_degrees=3, width_px=1200, height_px=900)
    for seed, mg_per_l in enumerate((6.0, 9.0, 12.0), 11):
        liquids = [drink_transmittance({"E129": mg}, **base) for mg in (12.0, mg_per_l)]
        drawn = render_photo(Scene(reference=liquids[0], batch=liquids[1]), Phone(), Light(), pose, seed=seed)
        made.append(save_photo(drawn, folder / f"batch-{seed}.jpg"))
    return made


def play(book: LotBook, photos: list[Path]) -> int:
    """A lot with its photos, and between them the drops that they show."""
    lot_id = book.lots.begin("Kitchen red cordial", 900, ["red"], ceiling_mg_per_l=60).id
    for number, photo in enumerate(photos):
        if number:
            book.additions.add(lot_id, "red", drops=5.4)
        record_photos(book, lot_id, [photo])
    return lot_id


def lie_inside(page: Page, css: str) -> bool:
    """Whether all of the elements lie within the first screen, as large as a thumb needs."""
    boxes = [element.rect for element in page.find_all(css) if element.is_displayed()]
    fits = [b["y"] >= 0 and b["y"] + b["height"] <= page.height and b["height"] >= 43.5 for b in boxes]
    return bool(fits) and all(fits)


def check(page: Page, state: str) -> dict[str, Any]:
    """The figures of the first screen, held to their limits."""
    assert page.find(".cm-answer").get_attribute("class").split()[-1] == state
    found: dict[str, Any] = page.run(_FIRST_SCREEN)
    print(state, found)
    assert found["words"] <= MOST_WORDS and found["numbers"] <= MOST_NUMBERS, found["text"]
    assert found["largest"] >= LEAST_PX and found["height"] <= MOST_HEIGHT_PX
    assert lie_inside(page, ".cm-answer") and lie_inside(page, _ACT)
    return found


def test_each_state_is_one_answer_in_the_first_screen(
    serve: Callable[..., Server],
    browse: Callable[[str], Page],
    book: LotBook,
    matched: list[Path],
    photos: list[Path],
) -> None:
    server, page = serve(), browse("phone")
    stop, add = play(book, matched), play(book, photos[:1])
    page.go(f"{server.url}/match?lot={stop}")
    check(page, "stop")
    page.pictures("match-stop")
    page.go(f"{server.url}/match?lot={add}")
    check(page, "add")
    page.pictures("match-add")
    page.click(".st-key-cm-bar [data-testid=stBaseButton-primary]")
    wait_for(lambda: page.find_all(".cm-answer.photo"), "no photo is asked for")
    page.settle()
    check(page, "photo")
    page.pictures("match-photo")
    assert not page.find_all(".st-key-cm-details details[open]") and not page.complaints()


def test_nothing_moves_after_a_photo_and_the_lot_is_finished_and_opened_again(
    serve: Callable[..., Server], browse: Callable[[str], Page], book: LotBook, matched: list[Path]
) -> None:
    from selenium.webdriver.common.keys import Keys

    server, page = serve(), browse("phone")
    lot_id = play(book, matched[:2])
    book.additions.add(lot_id, "red", drops=5.4)
    page.go(f"{server.url}/match?lot={lot_id}")
    page.run(_WATCH)
    page.upload(matched[2])
    wait_for(lambda: len(book.lots.story(lot_id).photos) == 3, "the photo was not measured")
    wait_for(lambda: page.find_all(".cm-answer.stop"), "it is not matched")
    page.settle()
    assert page.run("return window.cmShift") < MOST_SHIFT, page.run("return window.cmMoved")
    assert not page.find_all('[data-testid="stToast"]')
    tab_to(page, "Finish the lot")
    press(page, Keys.ENTER)
    wait_for(lambda: page.find_all(".cm-answer.closed"), "the lot is not finished")
    assert book.lots.story(lot_id).closing.outcome == "matched"
    page.settle()
    page.tap("button", "Undo")
    wait_for(lambda: page.find_all(".cm-answer.stop"), "the lot is not open again")
    assert not book.lots.get(lot_id).closed and not page.complaints()


def test_two_stocks_and_a_passed_ceiling_keep_to_the_first_screen(
    serve: Callable[..., Server],
    browse: Callable[[str], Page],
    book: LotBook,
    matched: list[Path],
    photos: list[Path],
) -> None:
    server, page = serve(), browse("phone")
    book.stocks.add("a yellow with a long name", "E102", 0.5)
    two = book.lots.begin("shrub", 900, ["red", "a yellow with a long name"], ceiling_mg_per_l=60).id
    record_photos(book, two, [photos[0]])
    over = book.lots.begin("syrup", 900, ["red"], ceiling_mg_per_l=3).id
    book.additions.add(over, "red", drops=8)
    record_photos(book, over, [photos[1]])
    for lot_id, state in ((two, "add"), (over, "stop")):
        page.go(f"{server.url}/match?lot={lot_id}")
        check(page, state)
    assert "ceiling is passed" in page.text()
    page.pictures("match-over")


def test_on_a_desk_details_stand_open_beside_the_answer(
    serve: Callable[..., Server], browse: Callable[[str], Page], book: LotBook, photos: list[Path]
) -> None:
    page = browse("desk")
    page.go(f"{serve().url}/match?lot={play(book, photos[:1])}")
    wait_for(lambda: page.find_all(".st-key-cm-details details[open]"), "Details stay closed")
    page.settle()
    left, right = page.find(".st-key-cm-left").rect, page.find(".st-key-cm-details").rect
    assert left["x"] + left["width"] <= right["x"] and abs(left["y"] - right["y"]) < 40
    assert lie_inside(page, _ACT)
    page.pictures("match-desk")
