"""White and liquids marked on a photo: by number fields in Streamlit's test runner, by finger, mouse and keys in a browser."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from test_browser import Browser, address, app_book, browser, pytestmark, wait_for
from test_pages import by_key, open_app, shown

from colourmatch.book.lot_book import LotBook
from colourmatch.screens.rectangle_field import LABELS, carry_boxes, fit_box, take_boxes

__all__ = ["address", "app_book", "browser"]
in_browser = pytestmark
pytestmark = []
SIZE = (1200, 900)
BOXES = {"white": (60, 60, 200, 200), "reference": (420, 330, 160, 200), "batch": (820, 330, 160, 200)}


def draw_scene(shift: int = 0) -> bytes:
    """Two vessels on light paper, reference and batch, as a JPEG."""
    pixels = np.full((SIZE[1], SIZE[0], 3), 205.0)
    pixels[300:560, 380 + shift : 620 + shift] = (196, 96, 84)
    pixels[300:560, 780 + shift : 1020 + shift] = (198, 116, 96)
    pixels += np.random.default_rng(1).normal(0, 1.5, pixels.shape)
    out = io.BytesIO()
    Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)).save(out, "JPEG", quality=92)
    return out.getvalue()


def mark(app: Any, boxes: dict[str, tuple[int, ...]]) -> None:
    """Type all numbers."""
    for name, box in boxes.items():
        for axis, value in zip(("x", "y", "width", "height"), box, strict=True):
            next(f for f in app.number_input if (f.key or "").endswith(f"-{name}-{axis}")).set_value(value)
    app.run()
    assert not app.exception


@pytest.fixture
def marked(book: LotBook) -> Any:
    """The page with one photo whose rectangles are typed."""
    app = open_app("picker")
    app.file_uploader[0].set_value(("scene.jpg", draw_scene(), "image/jpeg")).run()
    assert "the difference appears here" in shown(app)
    mark(app, BOXES)
    return app


# ---- what the browser sends, and what comes along to the next photo ------------------------------------------------


def test_what_a_browser_sends_is_held_inside_the_photo():
    sent = {
        "white": [-5, 2.4, 40, 50],
        "reference": [90, 90, 40, 50],
        "batch": [1, 2, 0, 4],
        "more": [1, 1, 1, 1],
    }
    assert take_boxes(sent, (100, 80)) == {"white": [0, 2, 40, 50], "reference": [60, 30, 40, 50]}
    for nonsense in (
        None,
        3,
        [],
        {"white": "x"},
        {"white": [1, 2, float("nan"), 4]},
        {"white": [1, None, 3, 4]},
    ):
        assert take_boxes(nonsense, (100, 80)) == {}


def test_a_rectangle_larger_than_the_photo_is_cut():
    assert fit_box([10, 10, 900, 900], (100, 80)) == [0, 0, 100, 80]


def test_rectangles_come_along_to_a_photo_of_another_size():
    boxes = {"white": [10.0, 20.0, 30.0, 40.0], "reference": [None] * 4}
    assert carry_boxes(boxes, (100, 80), (200, 160)) == {"white": [20, 40, 60, 80]}


# ---- the page ------------------------------------------------------------------------------------------------------


def test_the_start_page_leads_to_it_and_it_says_what_to_do(book: LotBook) -> None:
    app = open_app("start")
    assert "No card?" in shown(app)
    assert by_key(app.button, "to-picker")
    app = open_app("picker")
    assert not app.exception
    assert "Mark all three" in shown(app)
    assert "wider bottle" in shown(app)


def test_marked_liquids_give_the_card_of_numbers(marked: Any) -> None:
    text = shown(marked)
    assert "CIEDE2000, this photo, with its 95 % interval" in text
    assert "Which way" in text and ">Reference<" in text and ">Batch<" in text
    assert "Measured from the rectangles you gave" in text
    assert "against your white" in text


def test_what_cannot_be_measured_is_said_and_the_numbers_stay(marked: Any) -> None:
    mark(marked, {"batch": (430, 340, 160, 200)})
    assert "The reference and the batch rectangle overlap" in shown(marked)
    field = next(f for f in marked.number_input if (f.key or "").endswith("-batch-x"))
    assert field.value == 430


def test_rectangles_stay_when_leaving_and_returning_and_for_the_next_photo(marked: Any) -> None:
    marked.switch_page("colourmatch/screens/help.py").run()
    marked.switch_page("colourmatch/screens/picker.py").run()
    values = {f.key.split("-", 2)[2]: f.value for f in marked.number_input}
    assert values == {f"{n}-{a}": v for n, box in BOXES.items() for a, v in zip(("x", "y", "width", "height"), box, strict=True)}  # fmt: skip
    marked.file_uploader[0].set_value(("again.jpg", draw_scene(4), "image/jpeg")).run()
    assert [f.value for f in marked.number_input] == list(values.values())
    text = shown(marked)
    assert "2 photos together, 95 % interval" in text and "2 photos agree." in text


def test_a_photo_that_disagrees_is_named(marked: Any) -> None:
    marked.file_uploader[0].set_value(("again.jpg", draw_scene(2), "image/jpeg")).run()
    marked.file_uploader[0].set_value(("third.jpg", draw_scene(4), "image/jpeg")).run()
    # on the third photo the white lies on a liquid's edge of shadow: its batch is marked on the reference
    mark(marked, {"batch": (400, 310, 60, 60), "reference": (830, 340, 150, 190)})
    assert "Photo 3 disagrees" in shown(marked)


def test_a_grey_card_has_its_reflectance(marked: Any) -> None:
    white = by_key(marked.get("button_group"), "picker-white")
    white.set_value("grey card").run()
    assert by_key(marked.number_input, "picker-grey").value == 18
    assert "against your white" in shown(marked)


def test_a_marked_photo_goes_into_a_lot(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    lot = book.lots.begin("bitter", 900, ["red"]).id
    app = open_app("picker")
    app.file_uploader[0].set_value(("scene.jpg", draw_scene(), "image/jpeg")).run()
    mark(app, BOXES)
    by_key(app.button, "picker-record").click()
    app.run()
    assert not app.exception
    kept = book.lots.story(lot).photos
    assert len(kept) == 1 and kept[0].measurement.rectangles["batch"] == list(BOXES["batch"])


def test_a_file_that_is_no_photo_is_said(book: LotBook) -> None:
    app = open_app("picker")
    app.file_uploader[0].set_value(("x.jpg", b"nothing", "image/jpeg")).run()
    assert "its format is not known" in app.error[0].value


# ---- finger, mouse and keys ----------------------------------------------------------------------------------------

_FIELD = "document.querySelector('[data-testid=stBidiComponentRegular], [data-testid^=stBidiComponent]')"
_ROOT = """
const seek = (node) => {
  const found = node.querySelector('.cm-pick');
  if (found) return found;
  for (const e of node.querySelectorAll('*')) if (e.shadowRoot) { const f = seek(e.shadowRoot); if (f) return f; }
  return null;
};
const field = seek(document);
"""


def field_area(browser: Browser) -> dict[str, float]:
    """Where the picture lies in the window, scrolled to its top."""
    browser.driver.execute_script(_ROOT + "field.scrollIntoView({block: 'start'})")
    return wait_for(
        lambda: browser.driver.execute_script(
            _ROOT + "const r = field && field.querySelector('img').getBoundingClientRect();"
            "return r && r.width > 50 && r.height > 50 ? {x: r.x, y: r.y, w: r.width, h: r.height} : null"
        ),
        "the picture never came",
    )


def boxes_shown(browser: Browser) -> dict[str, str]:
    return browser.driver.execute_script(
        _ROOT + "return Object.fromEntries([...field.querySelectorAll('.cm-pick-box')].filter(b => !b.hidden)"
        ".map(b => [b.dataset.name, b.getAttribute('aria-label')]))"
    )


def at(area: dict[str, float], x: float, y: float) -> tuple[float, float]:
    """A place in the window of a pixel of the photo."""
    return area["x"] + x / SIZE[0] * area["w"], area["y"] + y / SIZE[1] * area["h"]


def tap(browser: Browser, place: tuple[float, float]) -> None:
    point = {"x": place[0], "y": place[1]}
    browser.tell("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [point]})
    browser.tell("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    browser.settle()


def drag(browser: Browser, start: tuple[float, float], end: tuple[float, float], finger: bool) -> None:
    steps = [
        (start[0] + (end[0] - start[0]) * k / 6, start[1] + (end[1] - start[1]) * k / 6) for k in range(1, 7)
    ]
    if finger:
        browser.tell(
            "Input.dispatchTouchEvent",
            {"type": "touchStart", "touchPoints": [{"x": start[0], "y": start[1]}]},
        )
        for x, y in steps:
            browser.tell("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x, "y": y}]})
        browser.tell("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    else:
        press = {"button": "left", "clickCount": 1}
        browser.tell(
            "Input.dispatchMouseEvent", {"type": "mousePressed", "x": start[0], "y": start[1], **press}
        )
        for x, y in steps:
            browser.tell(
                "Input.dispatchMouseEvent",
                {"type": "mouseMoved", "x": x, "y": y, "button": "left", "buttons": 1},
            )
        browser.tell("Input.dispatchMouseEvent", {"type": "mouseReleased", "x": end[0], "y": end[1], **press})
    browser.settle()


@pytest.mark.browser
@pytest.mark.skipif(in_browser[1].args[0], reason="chromium and chromedriver are not installed")
def test_marks_by_finger_mouse_and_keys(browser: Browser, tmp_path: Path) -> None:
    photo = tmp_path / "scene.jpg"
    photo.write_bytes(draw_scene())
    finger = browser.name == "phone"
    if finger:
        browser.tell("Emulation.setTouchEmulationEnabled", {"enabled": True})
    browser.go("picker")
    browser.upload(photo)
    browser.wait_text("Mark white and both liquids on the picture")
    area = field_area(browser)
    middles = {name: (x + w / 2, y + h / 2) for name, (x, y, w, h) in BOXES.items()}
    for name in LABELS:
        if finger:
            tap(browser, at(area, *middles[name]))
        else:
            x, y, w, h = BOXES[name]
            drag(browser, at(area, x, y), at(area, x + w, y + h), finger=False)
        wait_for(lambda name=name: name in boxes_shown(browser), f"{name} was not set down")
        area = field_area(browser)
    browser.wait_text("95 % interval")
    assert "Measured from the rectangles you gave" in browser.text()
    browser.check_width()
    before = boxes_shown(browser)["batch"]
    if not finger:
        numbers = [int(part) for part in before.replace(",", " ").replace(".", " ").split() if part.isdigit()]
        assert np.abs(np.array(numbers[:4]) - BOXES["batch"]).max() <= 6
    # drag the batch's rectangle, which is the chosen one, a little to the left
    area = field_area(browser)
    drag(
        browser, at(area, *middles["batch"]), at(area, middles["batch"][0] - 60, middles["batch"][1]), finger
    )
    after = wait_for(
        lambda: boxes_shown(browser)["batch"] != before and boxes_shown(browser)["batch"], "it was not moved"
    )
    assert after.split("width")[1] == before.split("width")[1], "it was stretched instead of moved"
    # keys move the one in focus, and the number fields show it
    browser.driver.execute_script(_ROOT + "field.querySelector('.cm-pick-box.batch').focus()")
    browser.tell("Input.dispatchKeyEvent", {"type": "keyDown", "key": "ArrowRight", "code": "ArrowRight"})
    browser.tell("Input.dispatchKeyEvent", {"type": "keyUp", "key": "ArrowRight", "code": "ArrowRight"})
    moved = wait_for(
        lambda: boxes_shown(browser)["batch"] != after and boxes_shown(browser)["batch"],
        "the key did nothing",
    )
    browser.settle()
    browser.tap("summary", "The rectangles as numbers")
    shown_x = browser.find("[aria-label='Batch x']").get_attribute("value")
    assert f"x {shown_x}," in moved
    # a number typed moves the rectangle on the picture
    from selenium.webdriver.common.keys import Keys

    entry = browser.click("[aria-label='Batch x']")
    entry.send_keys(Keys.CONTROL, "a")
    entry.send_keys("815", Keys.TAB)
    wait_for(lambda: "x 815," in boxes_shown(browser)["batch"], "the number did not move the rectangle")
    browser.settle()
    # leave, and return
    browser.tap("a", "Help")
    browser.wait_text("Help")
    browser.tap("a", "Start")
    browser.wait_text("No card?")
    browser.tap("button", "Compare on any photo")
    browser.wait_text("95 % interval")
    assert "x 815," in boxes_shown(browser)["batch"]
    browser.pictures("picker")
