"""Match on a phone is one answer: what stands in the first screen is counted, and nothing moves after a photo."""

from typing import Any

from driving import Page, press, tab_to, wait_for
from selenium.webdriver.common.keys import Keys

from colourmatch.workflow.lot import record_photos

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


def test_each_state_is_one_answer_in_the_first_screen(visit, book, play, photos):
    long_name = "a yellow with a long name"
    one = play(photos[:1])
    book.stocks.add(long_name, "E102", 0.5)
    two = book.lots.begin("shrub", 900, ["red", long_name], ceiling_mg_per_l=60).id
    record_photos(book, two, [photos[0]])
    over = book.lots.begin("syrup", 900, ["red"], ceiling_mg_per_l=3).id
    book.additions.add(over, "red", drops=8)
    record_photos(book, over, [photos[1]])
    page = visit(f"match?lot={over}")
    stop = play(photos[1:])
    states = {"over": (over, "stop"), "stop": (stop, "stop"), "two": (two, "add"), "add": (one, "add")}
    for name, (lot_id, state) in states.items():
        if name != "over":
            page.go(f"/match?lot={lot_id}")
        check(page, state)
        assert ("ceiling is passed" in page.text()) is (name == "over")
        page.pictures(f"match-{name}")
    page.click(".st-key-cm-bar [data-testid=stBaseButton-primary]")
    page.find(".cm-answer.photo")
    page.settle()
    check(page, "photo")
    page.pictures("match-photo")
    assert not page.find_all(".st-key-cm-details details[open]") and not page.complaints()
    page.resize("desk")
    page.go(f"/match?lot={one}")
    page.find(".st-key-cm-details details[open]")
    page.settle()
    left, right = page.find(".st-key-cm-left").rect, page.find(".st-key-cm-details").rect
    assert left["x"] + left["width"] <= right["x"] and abs(left["y"] - right["y"]) < 40
    assert lie_inside(page, _ACT)
    page.pictures("match")


def test_nothing_moves_after_a_photo_and_the_lot_is_finished_and_opened_again(visit, book, play, photos):
    lot_id = play(photos[1:3])
    book.additions.add(lot_id, "red", drops=7.2)
    page = visit(f"match?lot={lot_id}")
    page.run(_WATCH)
    page.upload(photos[3])
    page.find(".cm-answer.stop")
    page.settle()
    assert page.run("return window.cmShift") < MOST_SHIFT, page.run("return window.cmMoved")
    assert len(book.lots.story(lot_id).photos) == 3 and not page.find_all('[data-testid="stToast"]')
    tab_to(page, "Finish the lot")
    press(page, Keys.ENTER)
    page.find(".cm-answer.closed")
    assert book.lots.story(lot_id).closing.outcome == "matched"
    page.settle()
    page.tap("button", "Undo")
    page.find(".cm-answer.stop")
    assert not book.lots.get(lot_id).closed and not page.complaints()


def test_an_entry_from_far_down_the_page_is_taken_back_at_its_message(visit, book, play, photos):
    lot_id = play(photos[:1])
    page = visit(f"match?lot={lot_id}")
    page.unfold()
    page.unfold("Another amount went in")
    page.tap("button", "Write it down")
    page.wait_text("written. Undo")
    page.settle()
    top = "return document.querySelector('[data-testid=stMain]').scrollTop === 0"
    wait_for(lambda: page.run(top), "not up")
    (button,) = find_undo(page)
    assert not page.find_all('[data-testid="stAlert"], [data-testid="stToast"]')
    assert button.rect["y"] + button.rect["height"] <= page.height and button.rect["height"] >= 43.5
    page.pictures("undo")
    page.driver.refresh()  # offered after a reload too
    page.settle()
    page.tap("button", "Undo")
    page.wait_text("Taken back: ")
    page.settle()
    assert book.lots.story(lot_id).additions == () and not find_undo(page)
    assert page.find_all(".cm-answer.add") and not page.complaints()


def find_undo(page: Page) -> list[Any]:
    return [button for button in page.find_all(".st-key-cm-bar button") if "Undo" in button.text]
