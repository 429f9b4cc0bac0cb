"""Every page through Streamlit's own test runner: empty book, example lot, entries, refusals."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from colourmatch.book.checks import LIMITS
from colourmatch.book.lot_book import LotBook
from colourmatch.book.lots import Lots
from colourmatch.screens.fields import ask_figure
from colourmatch.workflow.lot import record_photos

APP = Path(__file__).resolve().parents[2] / "app.py"
PAGES = ("start", "set_up", "match", "lots", "trend", "help", "picker", "calibrations")


def open_app(page: str = "start", **query: str) -> AppTest:
    """The app at one page, run once."""
    app = AppTest.from_file(str(APP), default_timeout=300)
    for key, value in query.items():
        app.query_params[key] = value
    app.run()
    if page != "start":
        app.switch_page(f"colourmatch/screens/{page}.py").run()
    return app


def shown(app: AppTest) -> str:
    """All texts and HTML of the page."""
    parts = [element.proto.body for element in app.get("html")]
    for kind in (
        app.markdown,
        app.caption,
        app.error,
        app.warning,
        app.success,
        app.toast,
        app.title,
        app.header,
        app.subheader,
    ):
        parts += [element.value for element in kind]
    return "\n".join(parts)


def by_key(elements: object, start: str) -> object:
    """The element whose key begins so; keys end in a token."""
    return next(element for element in elements if (element.key or "").startswith(start))


@pytest.fixture
def lot_id(book: LotBook) -> int:
    """A lot in the book, before its first photo."""
    book.stocks.add("red", "E129", 1.0)
    return book.lots.begin("bitter aperitif", 900, ["red"], ceiling_mg_per_l=30, jurisdiction="EU").id


@pytest.mark.parametrize("page", PAGES)
def test_every_page_opens_on_an_empty_book(book: LotBook, page: str) -> None:
    app = open_app(page)
    assert not app.exception
    assert not app.error
    assert app.title


def test_the_start_offers_card_reading_and_example(book: LotBook) -> None:
    app = open_app()
    assert {button.label for button in app.get("download_button")} == {
        f"{card} card, {paper}" for card in ("Colour", "Grey") for paper in ("A4", "Letter")
    }
    assert "Open the example lot" in [button.label for button in app.button]
    for step in ("1. Print the card", "2. Pour three equal glasses", "3. Take the photo"):
        assert step in shown(app)


def test_empty_places_say_what_belongs_there(book: LotBook) -> None:
    text = shown(open_app("set_up"))
    assert "No stock yet. A stock is a colourant" in text
    assert "It needs a stock first." in text
    assert "No lot yet." in shown(open_app("lots"))
    assert "Here a lot is matched" in shown(open_app("match"))


def test_a_first_reading_needs_no_lot(book: LotBook, card_photo_bytes: bytes) -> None:
    app = open_app()
    app.file_uploader[0].set_value(("first.jpg", card_photo_bytes, "image/jpeg")).run()
    assert not app.exception
    assert "CIEDE2000" in shown(app)
    assert "paler" in shown(app)
    assert book.lots.count() == 0


def test_a_stock_is_added_once_and_shown(book: LotBook) -> None:
    app = open_app("set_up")
    by_key(app.selectbox, "stock-colourant").set_value("E129")
    by_key(app.text_input, "stock-name").set_value("red *strong*")
    by_key(app.number_input, "stock-strength").set_value(2.5)
    by_key(app.button, "stock-add").click()
    app.run()
    assert [stock.name for stock in book.stocks.all()] == ["red *strong*"]
    assert book.stocks.get("red *strong*").strength_g_per_100ml == 2.5
    assert r"The stock red \*strong\* is on the shelf." in shown(app)
    assert by_key(app.text_input, "stock-name").value == ""


def test_an_unknown_bottle_starts_from_what_it_looks_like(book: LotBook) -> None:
    app = open_app("set_up")
    by_key(app.selectbox, "stock-colourant").set_value("unknown").run()
    by_key(app.text_input, "stock-name").set_value("supermarket red")
    by_key(app.selectbox, "stock-like").set_value("E122")
    by_key(app.button, "stock-add").click()
    app.run()
    assert book.stocks.get("supermarket red").colourant == "custom:E122:500"


def test_a_bottle_is_entered_as_it_says_and_followed_by_a_fresh_one(book: LotBook) -> None:
    app = open_app("set_up")
    by_key(app.selectbox, "stock-colourant").set_value("E163")
    by_key(app.text_input, "stock-name").set_value("grape")
    by_key(app.get("button_group"), "stock-says").set_value("colour_value").run()
    by_key(app.number_input, "stock-figure").set_value(150.0)
    by_key(app.number_input, "stock-grams").set_value(20.0)
    by_key(app.text_input, "stock-bottle-batch").set_value("K-1207")
    by_key(app.number_input, "stock-bottle-amount").set_value(2.0)
    by_key(app.date_input, "stock-bottle-use-by").set_value(date(2031, 5, 1)).run()
    assert not app.exception
    by_key(app.button, "stock-add").click()
    app.run()
    assert not app.exception
    grape = book.stocks.get("grape")
    assert grape.strength_g_per_100ml == pytest.approx(1.0)  # E 1 % 15 of 300 in 20 g
    assert (grape.supplier_batch, grape.amount_ml, grape.use_by) == ("K-1207", 2.0, "2031-05-01")
    assert "batch K-1207" in shown(app) and "nearly empty" in shown(app)
    by_key(app.text_input, "fresh-batch").set_value("K-1300")
    by_key(app.button, "away-fresh").click()
    app.run()
    assert (
        book.stocks.get("grape").supplier_batch == "K-1300" and book.stocks.get("grape").follows == grape.id
    )


@pytest.mark.parametrize("missing", ["stock-name", "stock-colourant"])
def test_a_stock_with_something_missing_is_refused_and_keeps_what_was_typed(
    book: LotBook, missing: str
) -> None:
    app = open_app("set_up")
    if missing != "stock-colourant":
        by_key(app.selectbox, "stock-colourant").set_value("E129")
    if missing != "stock-name":
        by_key(app.text_input, "stock-name").set_value("red")
    by_key(app.number_input, "stock-strength").set_value(3.0)
    by_key(app.button, "stock-add").click()
    app.run()
    assert len(app.error) == 1 and book.stocks.all() == []
    assert by_key(app.text_input, "stock-name").value == ("" if missing == "stock-name" else "red")
    assert by_key(app.number_input, "stock-strength").value == 3.0


def test_a_weighing_changes_the_drop(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    app = open_app("set_up")
    by_key(app.number_input, "weigh-grams").set_value(1.6)
    by_key(app.button, "weigh-keep").click()
    app.run()
    assert book.stocks.get("red").drop_ml == pytest.approx(0.04)


def test_drops_of_another_dropper_say_nothing_of_what_the_last_lots_poured(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    lot = book.lots.begin("cordial", 900, ["red"]).id
    book.additions.add(lot, "red", drops=20)
    book.stocks.learn("red", 1.2, 0.05, lot)
    app = open_app("set_up")
    by_key(app.number_input, "weigh-grams").set_value(2.4)  # 40 drops, each 1.2 times the one assumed
    by_key(app.checkbox, "weigh-another").check()
    by_key(app.button, "weigh-keep").click().run()
    assert 1.05 < book.stocks.get("red").strength_factor < 1.2


def test_a_lot_is_begun_with_its_limits_beside(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    app = open_app("set_up")
    assert "at most 100 mg of pure dye per litre together in EU" in shown(app)
    assert "from memory" in shown(app)
    by_key(app.text_input, "lot-name").set_value("cordial")
    by_key(app.number_input, "lot-volume").set_value(750.0)
    by_key(app.button, "lot-begin").click()
    app.run()
    lot = book.lots.search()[0]
    assert (lot.name, lot.volume_ml, lot.ceiling_mg_per_l, lot.jurisdiction) == ("cordial", 750, None, "EU")
    assert "Photograph reference and batch" in shown(app)


@pytest.mark.parametrize(
    "figure", ["ceiling_mg_per_l", "already_mg_per_l", "tolerance", "depth_mm", "dilution"]
)
def test_a_field_takes_what_the_book_takes(figure: str) -> None:
    class Place:
        def number_input(self, words: str, **how: object) -> dict[str, object]:
            return how

    field = ask_figure(Place(), figure, "key", None)
    _, low, _, high, _ = LIMITS[figure]
    assert (field["min_value"], field["max_value"]) == (low, high)


def test_a_lot_without_volume_is_refused_and_keeps_its_name(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    app = open_app("set_up")
    by_key(app.text_input, "lot-name").set_value("cordial")
    by_key(app.button, "lot-begin").click()
    app.run()
    assert "The volume of the batch is missing" in app.error[0].value
    assert by_key(app.text_input, "lot-name").value == "cordial"
    assert book.lots.count() == 0


def test_an_absurd_size_is_asked_about_and_a_second_tap_says_that_it_was_meant(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    app = open_app("set_up")
    by_key(app.text_input, "lot-name").set_value("cordial")
    for volume in (1.5, 2.0):  # 1.5 is what a browser makes of 1,500; another amount is asked about again
        by_key(app.number_input, "lot-volume").set_value(volume)
        by_key(app.button, "lot-begin").click()
        app.run()
        assert f"{volume:g} l is meant, type {1000 * volume:g}" in app.error[0].value.replace("\\", "")
        assert book.lots.count() == 0
    by_key(app.button, "lot-begin").click()
    app.run()
    assert [lot.volume_ml for lot in book.lots.search()] == [2.0]


def test_a_drop_ten_times_too_large_is_asked_about(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    app = open_app("set_up")
    by_key(app.number_input, "weigh-grams").set_value(19.3)
    by_key(app.button, "weigh-keep").click()
    app.run()
    assert "if 1.93 g is meant, type 1.93" in app.error[0].value.replace("\\", "")
    assert not book.stocks.get("red").weighed
    by_key(app.button, "weigh-keep").click()
    app.run()
    assert book.stocks.get("red").drop_ml == pytest.approx(0.4825)
    by_key(app.selectbox, "stock-colourant").set_value("E129")
    by_key(app.text_input, "stock-name").set_value("gold")
    by_key(app.number_input, "stock-drop").set_value(0.4)
    by_key(app.button, "stock-add").click()
    app.run()
    assert "0.04 ml is meant" in app.error[0].value.replace("\\", "") and len(book.stocks.all()) == 1


def test_a_closed_lot_shows_no_step_that_nobody_can_take(
    book: LotBook, lot_id: int, card_photo_bytes: bytes
) -> None:
    app = open_app("match", lot=str(lot_id))
    app.file_uploader[0].set_value(("first.jpg", card_photo_bytes, "image/jpeg")).run()
    assert "After this step" in shown(app) and "What further drops would do" in shown(app)
    book.lots.close(lot_id, "given up")
    app = open_app("match", lot=str(lot_id))
    assert "The way to the reference" in shown(app)
    assert "predicted" not in shown(app) and "What further drops would do" not in shown(app)


def test_a_closed_lot_shows_the_photo_it_ended_with_before_those_of_rechecks(
    book: LotBook, lot_id: int, card_photo_bytes: bytes
) -> None:
    app = open_app("match", lot=str(lot_id))
    app.file_uploader[0].set_value(("first.jpg", card_photo_bytes, "image/jpeg")).run()
    ended = book.lots.story(lot_id).photos[0]
    book.lots.close(lot_id, "given up")
    later = book.photos.add(lot_id, ended.measurement, purpose="recheck")
    app = open_app("match", lot=str(lot_id))
    choice = by_key(app.selectbox, f"pick-photo-{ended.id}")
    assert choice.value == ended.id
    names = [re.sub(r", \d{4}-\d\d-\d\d \d\d:\d\d \w+", "", name) for name in choice.options]
    assert names == ["photo 2 (after the closing)", "photo 1 (the last)"]
    choice.set_value(later.id).run()
    assert "This reading came without a picture." in shown(app)


def test_a_photo_gives_advice_and_the_advised_drops_count_once(
    book: LotBook, lot_id: int, card_photo_bytes: bytes
) -> None:
    app = open_app("match", lot=str(lot_id))
    assert "Photograph reference and batch on the card before the first drop." in shown(app)
    assert "cm-answer photo" in shown(app)
    app.file_uploader[0].set_value(("first.jpg", card_photo_bytes, "image/jpeg")).run()
    assert not app.exception
    text = shown(app)
    assert "cm-answer add" in text and by_key(app.button, "undo-").label == "Photo 1 measured. Undo"
    assert "After this step the difference should be about" in text
    assert "30 mg/l left" in text
    button = by_key(app.button, "dose-")
    advised = book.lots.story(lot_id).photos[0].advice["doses"][0]["drops"]
    assert by_key(app.number_input, "dose-").value == advised
    button.click()
    app.run()
    assert [entry.quantity for entry in book.lots.story(lot_id).additions] == [advised]
    text = shown(app)
    assert "cm-answer photo" in text
    assert "Stir, wait for the bubbles to clear, photograph again." in text
    assert f"Added since the last photo: {advised} drops of red." in text
    assert not [b for b in app.button if (b.key or "").startswith("dose-")]


def test_another_number_than_the_advised_is_written_as_it_was_set(
    book: LotBook, lot_id: int, photos: list[Path]
) -> None:
    record_photos(book, lot_id, [photos[0]])
    app = open_app("match", lot=str(lot_id))
    by_key(app.number_input, "dose-").set_value(3.0)
    by_key(app.button, "dose-").click().run()
    assert [entry.quantity for entry in book.lots.story(lot_id).additions] == [3]
    assert "cm-answer add" in shown(app)  # the rest of the step


def test_the_next_photos_may_be_thinned_otherwise(
    book: LotBook, lot_id: int, photos: list[Path], card_photo_bytes: bytes
) -> None:
    app = open_app("match", lot=str(lot_id))
    lot = book.lots.get(lot_id)
    (fold,) = [one for one in app.expander if one.label.endswith("Thinned otherwise?")]
    assert fold.label.startswith(f"{lot.depth_mm:g} mm deep, ")
    by_key(app.number_input, f"view-{lot_id}-0-dilution").set_value(3 * lot.dilution).run()
    app.file_uploader[0].set_value(("first.jpg", card_photo_bytes, "image/jpeg")).run()
    assert not app.exception
    assert [p.measurement.view.to_json() for p in book.lots.story(lot_id).photos] == [
        {"dilution": 3 * lot.dilution}
    ]
    (fold,) = [one for one in app.expander if one.label.endswith("Thinned otherwise?")]
    assert f"1 part made up to {3 * lot.dilution:g}." in fold.label


def test_a_photo_sent_again_is_not_called_measured(
    book: LotBook, lot_id: int, photos: list[Path], card_photo_bytes: bytes
) -> None:
    record_photos(book, lot_id, [photos[0]])
    app = open_app("match", lot=str(lot_id))
    app.file_uploader[0].set_value(("again.jpg", card_photo_bytes, "image/jpeg")).run()
    text = shown(app)
    assert "again.jpg: It is in this lot already and is not counted again. Take a new photo." in text
    assert "measured and kept" not in text


def test_photos_of_one_state_are_shown_together_and_a_disagreement_is_told(
    book: LotBook, lot_id: int, photos: list[Path], tmp_path: Path
) -> None:
    first, after = photos  # one before the drops, one after: no two photos of the same glasses
    again = tmp_path / "again.jpg"
    Image.open(first).save(again, quality=88)
    record_photos(book, lot_id, [first, after])
    text = shown(open_app("match", lot=str(lot_id)))
    assert "The 2 photos disagree by" in text and "Take a third" in text
    assert "the batch against the reference, last photo" in text
    record_photos(book, lot_id, [again])
    text = shown(open_app("match", lot=str(lot_id)))
    assert "Last 3 photos together: " in text and "the batch against the reference, last 3 photos" in text
    assert "Photo 2 disagrees" in text
    book.additions.add(lot_id, "red", drops=3)
    assert "How far, last 3 photos" in shown(open_app("match", lot=str(lot_id)))


def test_another_amount_in_another_unit(book: LotBook, lot_id: int) -> None:
    app = open_app("match", lot=str(lot_id))
    by_key(app.get("button_group"), f"addition-{lot_id}-unit").set_value("ml").run()
    by_key(app.number_input, f"addition-{lot_id}-amount").set_value(0.75)
    by_key(app.button, f"addition-{lot_id}-write").click()
    app.run()
    entry = book.lots.story(lot_id).additions[0]
    assert (entry.quantity, entry.unit) == (0.75, "ml")


def test_an_addition_without_an_amount_is_refused(book: LotBook, lot_id: int) -> None:
    app = open_app("match", lot=str(lot_id))
    by_key(app.button, f"addition-{lot_id}-write").click()
    app.run()
    assert "The amount is missing" in app.error[0].value
    assert book.lots.story(lot_id).additions == ()


def test_the_limits_of_the_place_are_in_view_without_a_ceiling_of_ones_own(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    lot = book.lots.begin("cordial", 900, ["red"], jurisdiction="EU", already_mg_per_l=95)
    elsewhere = book.lots.begin("shrub", 900, ["red"], already_mg_per_l=95)
    text = shown(open_app("match", lot=str(lot.id)))
    assert "Under the limits of EU" in text and "5 mg/l left" in text and "Too much" not in text
    for one in (lot, elsewhere):
        book.additions.add(one.id, "red", ml=2)
    assert "The ceiling is passed: E129" in shown(open_app("match", lot=str(lot.id)))
    # a limit is never hidden where nobody said where it is sold
    assert "It is not said where the lot is sold" in shown(open_app("match", lot=str(elsewhere.id)))


def test_passing_the_ceiling_is_written_down_and_said(book: LotBook, lot_id: int) -> None:
    app = open_app("match", lot=str(lot_id))
    by_key(app.number_input, f"addition-{lot_id}-amount").set_value(70.0)
    by_key(app.button, f"addition-{lot_id}-write").click()
    app.run()
    assert "The ceiling is passed: your ceiling: " in shown(app)
    assert "mg/l over" in shown(app)
    assert len(book.lots.story(lot_id).additions) == 1


def test_the_reference_stands_left_of_the_batch_as_on_the_card(
    book: LotBook, lot_id: int, photos: list[Path]
) -> None:
    record_photos(book, lot_id, [photos[0]])
    found = re.findall(r'(?:aria-label="|<span>)(Reference|Batch)', shown(open_app("match", lot=str(lot_id))))
    assert len(found) >= 4 and found == ["Reference", "Batch"] * (len(found) // 2)


def test_a_refused_photo_is_shown_with_what_is_wrong_drawn_on_it(book: LotBook, lot_id: int) -> None:
    half = Path(__file__).parents[1] / "photos" / "bad-half-card.jpg"
    for app in (open_app("match", lot=str(lot_id)), open_app()):
        before = len(app.get("image") + app.get("imgs"))
        app.file_uploader[0].set_value((half.name, half.read_bytes(), "image/jpeg")).run()
        assert not app.exception and "is not in view" in shown(app)
        assert len(app.get("image") + app.get("imgs")) == before + 1


def test_a_refused_photo_says_what_to_do_and_is_not_kept(book: LotBook, lot_id: int) -> None:
    app = open_app("match", lot=str(lot_id))
    app.file_uploader[0].set_value(("note.jpg", b"this is no photo", "image/jpeg")).run()
    assert not app.exception
    assert "Not measured:" in shown(app)
    assert "note.jpg: This is not a readable photo" in shown(app)
    assert book.lots.story(lot_id).photos == ()


def test_a_closed_lot_takes_no_more(book: LotBook, lot_id: int, photos: list[Path]) -> None:
    record_photos(book, lot_id, [photos[0]])
    app = open_app("match", lot=str(lot_id))
    by_key(app.selectbox, f"close-{lot_id}-reason").set_value("given up")
    by_key(app.button, f"close-{lot_id}-do").click()
    app.run()
    assert "tick" in app.error[0].value
    by_key(app.checkbox, f"close-{lot_id}-sure").set_value(True)
    by_key(app.button, f"close-{lot_id}-do").click()
    app.run()
    assert book.lots.get(lot_id).closed
    assert "Given up." in shown(app)
    assert not app.file_uploader


def test_an_unknown_lot_in_the_address_is_named(book: LotBook, lot_id: int) -> None:
    app = open_app("match", lot="9999")
    assert app.warning[0].value == "There is no lot 9999 in this book. Look for it under Lots."
    assert "bitter aperitif" in str(app.selectbox[0].options)


def test_a_trial_is_told_as_one_in_the_list_of_lots(book: LotBook, lot_id: int) -> None:
    book.additions.add(lot_id, "red", drops=3)
    trial = book.trials.take(lot_id, 100).id
    text = shown(open_app("lots"))
    parts = [f">{one}<" in text for one in (f"L{trial}", f"trial of {lot_id}", "100 ml")]
    assert all(parts)
    assert book.lots.get(trial).volume_ml != 100


def test_the_list_finds_lots_and_tells_the_story_of_one(book: LotBook, lot_id: int) -> None:
    book.lots.begin("<b>shrub</b>", 500, ["red"], jurisdiction="EU")
    book.additions.add(lot_id, "red", drops=9)
    book.volumes.take_sample(lot_id, 20)
    app = open_app("lots", lot=str(lot_id))
    text = shown(app)
    assert "9 drops of red (0.45 ml, 4.5 mg)" in text
    assert "Sample of 20 ml taken" in text
    assert "Colour: Allura red AC (E129)" in text
    assert "A sample that stood on the bench is not poured back" in text
    app.button(key="all-lots").click().run()
    app.text_input(key="lots-search").set_value("shr").run()
    assert [one.label.replace("\\", "") for one in app.button] == ["Open <b>shrub</b> (L2)"]
    app.text_input(key="lots-search").set_value("nothing like it").run()
    assert "No lot fits." in shown(app)


def test_a_book_that_cannot_be_opened_is_said_in_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong = tmp_path / "letter.txt"
    wrong.write_text("Dear aunt, this is a letter and no book.")
    monkeypatch.setenv("COLOURMATCH_BOOK", str(wrong))
    app = open_app("match")
    assert not app.exception
    assert "is not a lot book" in app.error[0].value


def test_what_nobody_foresaw_is_a_plain_sentence(book: LotBook, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_args: object, **_kwargs: object) -> None:
        raise RuntimeError("secret detail")

    monkeypatch.setattr(Lots, "search", fail)
    app = open_app()
    assert not app.exception
    assert "Something went wrong in the program" in app.error[0].value
    assert "secret detail" not in shown(app)


def test_the_example_takes_its_own_photos_and_is_followed_by_a_lot_of_ones_own(book: LotBook) -> None:
    app = open_app()
    app.button(key="example").click().run()
    assert not app.exception and book.lots.count() == 1
    lot = book.lots.get("EXAMPLE").id
    app = open_app("match", lot=str(lot))
    assert not app.get("file_uploader")
    by_key(app.button, "example-photo").click().run()
    assert not app.exception and not app.error
    assert len(book.lots.story(lot).photos) == 1 and "How far" in shown(app)
    book.lots.close(lot, "given up")
    for page in ("match", "lots"):
        closed = open_app(page, lot=str(lot))
        assert "Now yours: begin your own lot" in [button.label for button in closed.button]
        assert not {"like", "recheck"} & {button.key for button in closed.button}


def test_a_stock_is_thinned_from_one_on_the_shelf(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    app = open_app("set_up")
    by_key(app.number_input, "thin-fold").set_value(5.0)
    by_key(app.button, "thin-add").click()
    app.run()
    thin = book.stocks.get("red 1 in 5")
    assert thin.strength_g_per_100ml == pytest.approx(0.2)
    assert thin.diluted_from_id == book.stocks.get("red").id
    assert "as of the stock it was thinned from" in shown(app)


def test_a_stock_is_put_away(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    app = open_app("set_up")
    by_key(app.button, "away-put").click()
    app.run()
    assert book.stocks.all() == []
    assert "The stock red is put away" in shown(app)


def test_a_figure_of_the_lot_is_put_right_with_its_reason(book: LotBook, lot_id: int) -> None:
    app = open_app("match", lot=str(lot_id))
    by_key(app.number_input, f"amend-{lot_id}-volume_ml").set_value(850.0)
    by_key(app.text_input, f"amend-{lot_id}-reason").set_value("mistyped")
    by_key(app.button, f"amend-{lot_id}-write").click()
    app.run()
    assert book.lots.get(lot_id).volume_ml == 850
    assert "Put right: batch at the beginning 850 ml" in shown(app)
    by_key(app.button, f"amend-{lot_id}-write").click()
    app.run()
    assert "No figure was changed" in app.error[0].value


def test_the_sheet_of_a_lot_is_offered_and_is_a_pdf(book: LotBook, lot_id: int) -> None:
    from colourmatch.screens.leading_on import make_sheet

    app = open_app("lots", lot=str(lot_id))
    assert "Lot sheet (PDF)" in [button.label for button in app.get("download_button")]
    assert make_sheet(lot_id).startswith(b"%PDF")


def test_another_lot_can_be_picked(book: LotBook, lot_id: int) -> None:
    other = book.lots.begin("shrub", 500, ["red"])
    app = open_app("match", lot=str(lot_id))
    app.selectbox[0].set_value(other.id).run()
    assert not app.exception
    assert str(other.id) in app.query_params["lot"]
    assert "No ceiling of your own is set." in shown(app)


def test_the_calculator_tells_powder_and_liquid_for_a_stock(book: LotBook) -> None:
    app = open_app("set_up")
    assert "Weigh 0.588 g of powder" in shown(app)
    by_key(app.number_input, "make-content").set_value(0.0)
    app.run()
    assert "The dye content must be more than 0" in shown(app).replace("\\", "")
    by_key(app.get("button_group"), "make-what").set_value("a liquid colour").run()
    assert "Measure 10 ml of the liquid" in shown(app)  # ml alone where ml is chosen


def test_the_first_visit_offers_the_example_at_the_top_and_the_next_does_not(book: LotBook) -> None:
    assert any(button.key == "example-first" for button in open_app("start").button)
    book.stocks.add("red", "E129", 1.0)
    book.lots.begin("cordial", 900, ["red"])
    assert not any(button.key == "example-first" for button in open_app("start").button)


def test_a_photo_is_set_aside_and_taken_back_in_the_history(
    book: LotBook, lot_id: int, photos: list[Path]
) -> None:
    photo = record_photos(book, lot_id, [photos[0]])[0]["entry"]
    app = open_app("match", lot=str(lot_id))
    by_key(app.text_input, f"aside-{lot_id}-why").set_value("a lamp shone in").run()
    by_key(app.button, f"aside-{lot_id}-write").click().run()
    assert not app.exception
    assert [p.aside for p in book.lots.story(lot_id).photos] == ["a lamp shone in"]
    said = shown(app)
    assert "Photo 1 is set aside; reason: a lamp shone in" in said
    assert "(set aside: a lamp shone in)" in said and r"It is set aside\: a lamp shone in" in said
    by_key(app.text_input, f"aside-{lot_id}-why").set_value("it was all right").run()
    by_key(app.button, f"aside-{lot_id}-write").click().run()
    assert [p.aside for p in book.lots.story(lot_id).photos if p.id == photo] == [None]
    assert "Photo 1 counts again; reason: it was all right" in shown(app)
    assert not app.exception


def test_a_ceiling_with_room_under_it_is_asked_about(book: LotBook, lot_id: int) -> None:
    app = open_app("match", lot=str(lot_id))
    by_key(app.selectbox, f"close-{lot_id}-reason").set_value("ceiling").run()
    assert "It is another: The ceiling leaves 30 mg/l." in shown(app)


def test_a_closing_bears_the_name_and_is_asked_about_when_the_advice_is_another(
    book: LotBook, lot_id: int, photos: list[Path]
) -> None:
    record_photos(book, lot_id, [photos[0]])
    app = open_app("match", lot=str(lot_id))
    app.session_state["who"] = "MK"
    app.run()
    action = f"close-{lot_id}"
    token = app.session_state[f"token-{action}"]
    by_key(app.checkbox, f"{action}-sure").check().run()
    by_key(app.selectbox, f"{action}-reason").set_value("matched").run()
    assert "It is another: Add " in shown(app)
    by_key(app.button, f"{action}-do").click()
    app.run()
    assert not book.lots.get(lot_id).closed  # the tick was for another question
    by_key(app.checkbox, f"{action}-sure").check().run()
    by_key(app.button, f"{action}-do").click()
    app.run()
    closing = book.lots.story(lot_id).closing
    assert closing is not None and closing.entered_by == "MK" and closing.against
    assert book.entries.with_token(lot_id, token) == closing
