"""White and liquids marked on a photo by finger, mouse and keys."""

from pathlib import Path

import numpy as np
import pytest
from batches import BOXES, SIZE, draw_vessels
from driving import SCREENS, Page, press, wait_for
from selenium.webdriver.common.keys import Keys

from colourmatch.screens.picker import LABELS

MIDDLES = {name: (x + w / 2, y + h / 2) for name, (x, y, w, h) in BOXES.items()}
_ROOT = """
const seek = (node) => {
  const found = node.querySelector('.cm-pick');
  if (found) return found;
  for (const e of node.querySelectorAll('*')) if (e.shadowRoot) { const f = seek(e.shadowRoot); if (f) return f; }
  return null;
};
const field = seek(document);
"""
#: Where the picture lies in the window, scrolled to its top.
_AREA = """
field?.scrollIntoView({block: 'start'});
const r = field?.querySelector('img').getBoundingClientRect();
return r && r.width > 50 && r.height > 50 ? {x: r.x, y: r.y, w: r.width, h: r.height} : null;
"""
_SHOWN = """
return Object.fromEntries([...field.querySelectorAll('.cm-pick-box')].filter(b => !b.hidden)
  .map(b => [b.dataset.name, b.getAttribute('aria-label')]));
"""


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    (tmp_path / "scene.jpg").write_bytes(draw_vessels())
    return tmp_path / "scene.jpg"


def boxes_shown(page: Page) -> dict[str, str]:
    return dict(page.run(_ROOT + _SHOWN))


def touch(page: Page, kind: str, *points: tuple[float, float]) -> None:
    places = [{"x": x, "y": y} for x, y in points]
    page.tell("Input.dispatchTouchEvent", {"type": kind, "touchPoints": places})


def point(page: Page, kind: str, place: tuple[float, float]) -> None:
    button = {"button": "left", "buttons": 1, "clickCount": 1}
    page.tell("Input.dispatchMouseEvent", {"type": kind, "x": place[0], "y": place[1]} | button)


def draw(page: Page, start: tuple[float, float], end: tuple[float, float]) -> None:
    """From one pixel of the photo to another: a finger on a phone, where one pixel is a tap, a mouse on a desk."""
    area = wait_for(lambda: page.run(_ROOT + _AREA), "the picture never came")
    steps = [0.0] if start == end else [k / 6 for k in range(7)]
    way = [(start[0] + (end[0] - start[0]) * k, start[1] + (end[1] - start[1]) * k) for k in steps]
    first, *others = [(area["x"] + x / SIZE[0] * area["w"], area["y"] + y / SIZE[1] * area["h"]) for x, y in way]
    if page.name == "phone":
        touch(page, "touchStart", first)
        for place in others:
            touch(page, "touchMove", place)
        touch(page, "touchEnd")
    else:
        point(page, "mousePressed", first)
        for place in others:
            point(page, "mouseMoved", place)
        point(page, "mouseReleased", others[-1])
    page.settle()


@pytest.mark.parametrize("screen", SCREENS)
def test_marks_by_finger_or_mouse_are_set_down_and_moved(visit, photo, screen):
    page = visit("picker", screen)
    page.tell("Emulation.setTouchEmulationEnabled", {"enabled": screen == "phone"})
    page.upload(photo)
    page.wait_text("Mark white and both liquids on the picture")
    for name in LABELS:
        x, y, w, h = BOXES[name]
        draw(page, *((MIDDLES[name],) * 2 if screen == "phone" else ((x, y), (x + w, y + h))))
        wait_for(lambda name=name: name in boxes_shown(page), f"{name} was not set down")
    page.wait_text("95 % interval")
    page.settle()
    before = boxes_shown(page)["batch"]
    if screen == "desk":
        numbers = [int(part) for part in before.replace(",", " ").replace(".", " ").split() if part.isdigit()]
        assert np.abs(np.array(numbers[:4]) - BOXES["batch"]).max() <= 6
    x, y = MIDDLES["batch"]  # the chosen one, a little to the left
    draw(page, (x, y), (x - 60, y))
    after = wait_for(lambda: boxes_shown(page)["batch"] != before and boxes_shown(page)["batch"], "not moved")
    assert after.split("width")[1] == before.split("width")[1], "it was stretched instead of moved"
    page.pictures("picker")
    if screen == "phone":
        check_keys_numbers_and_return(page, after)


def check_keys_numbers_and_return(page: Page, before: str) -> None:
    """Keys move the one in focus, a number typed moves it on the picture, and it is found again after other pages."""
    page.run(_ROOT + "field.querySelector('.cm-pick-box.batch').focus()")
    press(page, Keys.ARROW_RIGHT)
    at = lambda: boxes_shown(page)["batch"]  # noqa: E731
    moved = wait_for(lambda: at() != before and at(), "no key moves it")
    page.settle()
    page.unfold("The rectangles as numbers")
    entry = page.click("[aria-label='Batch x']")
    assert f"x {entry.get_attribute('value')}," in moved
    entry.send_keys(Keys.CONTROL, "a")
    entry.send_keys("815", Keys.TAB)
    wait_for(lambda: "x 815," in boxes_shown(page)["batch"], "the number did not move the rectangle")
    page.settle()
    page.tap("a", "Start")
    page.wait_text("No card?")
    page.settle()
    page.tap("button", "Compare on any photo")
    page.wait_text("95 % interval")
    assert "x 815," in boxes_shown(page)["batch"]
