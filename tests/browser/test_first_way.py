"""The first things a maker does on a phone, with their taps counted; and the way to the drops with keys alone."""

from driving import Page, press, tab_to, wait_for
from selenium.webdriver.common.keys import Keys

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
    assert page.taps == 0 and "good from 1.5" in page.text()  # and the tap that opens the camera
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


def test_from_an_empty_book_to_the_drops_with_keys_alone(visit, book, photos):
    page = visit()  # keys come by in the same order at either width
    tab_to(page, "Set up a stock and a lot")
    press(page, Keys.ENTER)
    page.wait_text("No stock yet.")
    page.settle()
    tab_to(page, "Colourant")
    press(page, "E129", Keys.ENTER)
    page.settle()
    tab_to(page, "Name of the stock")
    press(page, "red")
    tab_to(page, "Add the stock")
    press(page, Keys.ENTER)
    page.wait_text("The stock red is on the shelf.")
    page.settle()
    page.run("document.activeElement.blur()")
    tab_to(page, "Stocks")
    press(page, Keys.ARROW_RIGHT, Keys.ENTER)
    page.settle()
    tab_to(page, "Name of the lot")
    press(page, "cordial")
    tab_to(page, "Batch, ml")
    press(page, "900", Keys.TAB)
    for gone in ('[data-testid="stToast"]', '[data-testid="stAlert"]'):
        wait_for(lambda gone=gone: not page.find_all(gone), f"{gone} stays")
    page.settle()
    # as the notice has gone
    assert page.find('[data-testid="stTab"][aria-selected="true"]').text == "New lot"
    tab_to(page, "Begin the lot")
    press(page, Keys.ENTER)
    page.find(".cm-answer.photo")
    page.settle()
    tab_to(page, "Upload")  # as it is read aloud; what is seen on it is "Photograph"
    # what follows the key is the system's own choice of files, which no test can drive
    page.upload(photos[0])
    page.find(".cm-answer.add")
    page.settle()
    tab_to(page, "Added")
    press(page, Keys.ENTER)
    page.find(".cm-answer.photo")
    page.wait_text("written. Undo")
    (lot,) = book.lots.search()
    assert (lot.name, lot.volume_ml) == ("cordial", 900)
    assert len(book.lots.story(lot.id).additions) == 1
