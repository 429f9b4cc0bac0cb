"""The first things a maker does on a phone, with their taps counted: the example, a reading, the first drops."""

from driving import Page

_ACT = ".st-key-cm-bar button[data-testid=stBaseButton-primary]"
_SHOOT = "[data-testid=stFileUploaderDropzone] button"


def act(page: Page, state: str, expected: str) -> None:
    """Tap the act of a state, which stands there, and wait for the state that it leads to."""
    page.find(f".cm-answer.{state}:not(.old)")
    page.settle()
    page.click(_ACT)
    page.find(f".cm-answer:is({expected}):not(.old)")


def test_a_first_reading_is_a_tap_and_the_photo(visit, book, photos):
    page = visit()
    (button,) = page.find_all(_SHOOT)
    assert button.is_displayed() and button.rect["y"] + button.rect["height"] <= page.height
    page.upload(photos[0])
    page.find(".cm-pair.reading")
    page.settle()
    assert page.taps == 0 and "good up to 1.5" in page.text()  # and the tap that opens the camera
    page.pictures("first-reading")
    assert book.lots.count() == 0


def test_the_example_is_played_from_start_to_stop_and_leads_to_ones_own_lot(visit, book):
    page = visit()
    page.click(".st-key-example-first button")
    act(page, "photo", ".add")
    page.pictures("example-add")
    while page.find_all(".cm-answer.add"):
        act(page, "add", ".photo")
        page.pictures("example-photo")
        act(page, "photo", ".add, .stop")
    page.settle()
    assert "It matches." in page.text()
    page.pictures("example-stop")
    act(page, "stop", ".closed")
    page.settle()
    story = book.lots.story("EXAMPLE")
    assert story.closing.outcome == "matched"
    # one tap on Start, one a photo, one a dose, one that finishes
    assert page.taps == 2 + len(story.photos) + len(story.additions) <= 7
    page.pictures("example-finished")
    page.tap("button", "Now yours")
    page.wait_text("Add a stock")
    assert not page.complaints()


def test_first_drops_are_few_taps_and_two_fields(visit, book, photos):
    book.stocks.add("red", "E129", 1.0)
    page = visit()
    page.click(".st-key-to-set-up button")
    fields = {"[aria-label='Name of the lot']": "cordial", "[aria-label='Batch, ml']": "900"}
    for css, value in fields.items():
        page.find(f".st-key-cm-new-lot {css}")
        page.settle()
        page.click(f".st-key-cm-new-lot {css}").send_keys(value)
    page.pictures("first-lot")
    page.click("[class*=st-key-lot-begin] button")
    page.find(".cm-answer.photo")
    page.settle()
    (button,) = page.find_all(f".st-key-cm-shoot {_SHOOT}")
    assert button.is_displayed() and button.rect["y"] + button.rect["height"] <= page.height
    page.upload(photos[0])
    page.find(".cm-answer.add")
    assert page.taps + 1 <= 5 and len(fields) == 2  # the tap that opens the camera is not driven here
    lot = book.lots.search()[0]
    assert (lot.name, lot.volume_ml, lot.stocks) == ("cordial", 900, ("red",))
