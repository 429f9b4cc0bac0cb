"""The way from an empty book to the drops with keys alone."""

from driving import press, tab_to, wait_for
from selenium.webdriver.common.keys import Keys


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
    # it stays chosen once the notice has gone
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
