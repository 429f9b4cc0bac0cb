"""What was just entered is taken back with one tap, and no field outlives the entry that it was filled in for."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest
from test_pages import by_key, shown

from colourmatch.book.lot_book import LotBook
from colourmatch.screens import amending, drafts
from colourmatch.screens.amending import UNDONE
from colourmatch.workflow.lot import record_photos

APP = Path(__file__).resolve().parents[2] / "app.py"


def open_match(lot_id: int) -> AppTest:
    """Match at one lot, as a browser that comes again sees it."""
    app = AppTest.from_file(str(APP), default_timeout=300)
    app.query_params["lot"] = str(lot_id)
    return app.run().switch_page("colourmatch/screens/match.py").run()


def undo(app: AppTest) -> Any:
    """The tap, None where none is offered."""
    return next((button for button in app.button if (button.key or "").startswith("undo-")), None)


def advised(app: AppTest) -> list[str]:
    """What is to be done now: the large sentence, and the buttons of the doses."""
    said = [line for line in shown(app).splitlines() if "cm-answer" in line]
    return [*said, *(button.label for button in app.button if (button.key or "").startswith("dose-"))]


@pytest.fixture
def lot_id(book: LotBook) -> int:
    book.stocks.add("red", "E129", 1.0)
    return book.lots.begin("bitter aperitif", 900, ["red"], ceiling_mg_per_l=30).id


# ---- one tap takes back what was just entered ----------------------------------------------------------------------


def test_after_a_refused_photo_the_one_before_is_not_offered_to_be_taken_back(
    book: LotBook, lot_id: int, photos: list[Path]
) -> None:
    record_photos(book, lot_id, [photos[0]])
    app = open_match(lot_id)
    assert undo(app)
    app.file_uploader[0].set_value([("bad.jpg", b"no photo", "image/jpeg")]).run()
    assert "Not measured" in shown(app) and len(book.lots.story(lot_id).photos) == 1
    assert not undo(app)
    assert undo(open_match(lot_id))  # once the refusal is gone


def test_an_addition_is_taken_back_with_name_and_reason_and_the_advice_is_the_one_before(
    book: LotBook, lot_id: int, photos: list[Path]
) -> None:
    record_photos(book, lot_id, [photos[0]])
    app = open_match(lot_id)
    before = advised(app)
    by_key(app.text_input, "who").set_value("AB").run()
    by_key(app.button, "dose-").click().run()
    (added,) = book.lots.story(lot_id).additions
    assert advised(app) != before
    assert undo(app).label == f"{added.quantity:g} drops of red written. Undo"
    assert (
        undo(open_match(lot_id)).label == f"{added.quantity:g} drops of red written by AB. Undo"
    )  # another browser
    undo(app).click().run()
    assert not app.exception and not app.error
    story = book.lots.story(lot_id)
    last: Any = story.events[-1]
    assert (last.replaces_id, last.void, last.reason, last.entered_by) == (added.id, True, UNDONE, "AB")
    assert story.additions == () and added.id in [entry.id for entry in story.events]
    assert advised(app) == before
    assert UNDONE in shown(app) and undo(app) is None


def test_only_the_newest_entry_is_offered_and_none_that_is_one_of_several(book: LotBook, lot_id: int) -> None:
    book.additions.add(lot_id, "red", drops=20)
    book.additions.add(lot_id, "red", drops=15)
    assert undo(open_match(lot_id)).label == "15 drops of red written. Undo"
    trial = book.trials.take(lot_id, 100)
    assert undo(open_match(lot_id)) is None and undo(open_match(trial.id)) is None
    book.trials.pour_back(trial.id)
    assert undo(open_match(lot_id)) is None
    book.additions.add(lot_id, "red", drops=1)
    book.entries.add_note(lot_id, "stirred")
    assert undo(open_match(lot_id)) is None
    book.additions.correct(book.additions.add(lot_id, "red", drops=2).id, reason="counted again", drops=3)
    assert undo(open_match(lot_id)) is None


def test_a_tap_that_comes_after_another_entry_takes_nothing_back_and_says_so(
    book: LotBook, lot_id: int
) -> None:
    book.additions.add(lot_id, "red", drops=20)
    app = open_match(lot_id)
    book.additions.add(lot_id, "red", drops=15)  # at another station
    undo(app).click().run()
    assert [entry.quantity for entry in book.lots.story(lot_id).additions] == [20, 15]
    assert "not written down" in app.warning[0].value
    assert undo(app).label == "15 drops of red written. Undo"


def test_a_second_tap_that_was_under_way_is_answered_as_the_first(book: LotBook, lot_id: int) -> None:
    book.additions.add(lot_id, "red", drops=20)
    app = open_match(lot_id)
    tap, token = undo(app), app.session_state[f"token-undo-{lot_id}"]
    tap.click().run()
    app.session_state[f"token-undo-{lot_id}"] = token
    app.session_state[tap.key] = True
    app.run()
    assert len(book.lots.story(lot_id).events) == 2 and not app.warning


def test_the_dose_that_was_tapped_is_not_written_as_another_one(
    book: LotBook, lot_id: int, photos: list[Path]
) -> None:
    record_photos(book, lot_id, [photos[0]])
    app = open_match(lot_id)
    record_photos(book, lot_id, [photos[1]])  # at another station: the advice is another one
    by_key(app.button, "dose-").click().run()
    assert book.lots.story(lot_id).additions == () and "not written down" in app.warning[0].value


def test_each_entry_of_the_history_has_its_own_undo(book: LotBook, lot_id: int) -> None:
    first, second = (book.additions.add(lot_id, "red", drops=drops).id for drops in (20, 15))
    note = book.entries.add_note(lot_id, "stirred").id
    app = open_match(lot_id)
    taps = [button.key.split("-")[2] for button in app.button if (button.key or "").startswith("back-")]
    assert taps == [str(second), str(first)] and note not in taps
    by_key(app.button, f"back-{lot_id}-{first}-").click().run()
    assert not app.exception and not app.error
    assert [entry.quantity for entry in book.lots.story(lot_id).additions] == [15]
    assert "Taken back: 20 drops of red" in shown(app)
    gone = book.lots.story(lot_id).events[-1].id
    by_key(app.button, f"back-{lot_id}-{gone}-").click().run()
    assert [entry.quantity for entry in book.lots.story(lot_id).additions] == [20, 15]


def test_a_tap_in_the_history_after_another_entry_takes_nothing_back(book: LotBook, lot_id: int) -> None:
    first = book.additions.add(lot_id, "red", drops=20).id
    app = open_match(lot_id)
    book.additions.add(lot_id, "red", drops=15)  # at another station
    by_key(app.button, f"back-{lot_id}-{first}-").click().run()
    assert len(book.lots.story(lot_id).additions) == 2 and "not written down" in app.warning[0].value


def test_a_long_history_lies_folded_but_for_its_newest_entries(book: LotBook, lot_id: int) -> None:
    for _ in range(amending.NEWEST + 3):
        book.additions.add(lot_id, "red", drops=1)
    app = open_match(lot_id)
    taps = [button for button in app.button if (button.key or "").startswith("back-")]
    assert len(taps) == amending.NEWEST and "3 older" in [one.label for one in app.expander]


# ---- no field outlives the entry that it was filled in for --------------------------------------------------------


def test_after_a_second_addition_the_correction_offers_it(book: LotBook, lot_id: int) -> None:
    book.additions.add(lot_id, "red", drops=20)
    app = open_match(lot_id)
    by_key(app.text_input, f"correct-{lot_id}-reason").set_value("of the first").run()
    by_key(app.number_input, f"addition-{lot_id}-amount").set_value(15.0)
    by_key(app.button, f"addition-{lot_id}-write").click().run()
    which = by_key(app.selectbox, f"correct-{lot_id}-which")
    newest = book.lots.story(lot_id).additions[-1]
    assert which.value == newest.id and which.options[0].startswith("15 drops of red, ")
    assert by_key(app.text_input, f"correct-{lot_id}-reason").value == ""
    by_key(app.text_input, f"correct-{lot_id}-reason").set_value("tapped by mistake")
    by_key(app.button, f"correct-{lot_id}-write").click().run()
    assert [entry.quantity for entry in book.lots.story(lot_id).additions] == [20]


def test_setting_aside_offers_the_newest_photo_with_its_time_and_picture(
    book: LotBook, lot_id: int, photos: list[Path]
) -> None:
    (first,) = record_photos(book, lot_id, [photos[0]])
    app = open_match(lot_id)
    by_key(app.text_input, f"aside-{lot_id}-why").set_value("a lamp shone in").run()
    record_photos(book, lot_id, [photos[1]])
    app.run()
    which = by_key(app.selectbox, f"aside-{lot_id}-which")
    newest = book.lots.story(lot_id).photos[-1]
    assert which.value == newest.id != first["entry"]
    assert which.options[0].startswith(f"photo 2, {newest.created_at[:10]}")
    assert by_key(app.text_input, f"aside-{lot_id}-why").value == ""
    (fold,) = [one for one in app.expander if one.label == "Set a photo aside"]
    assert len(fold.get("image")) == 1


@pytest.mark.parametrize("field", ["addition-{}-amount", "other-{}-Sample taken-ml"])
def test_an_amount_that_was_typed_and_not_sent_ends_with_the_next_photo(
    book: LotBook, lot_id: int, photos: list[Path], card_photo_bytes: bytes, field: str
) -> None:
    app = open_match(lot_id)
    by_key(app.number_input, field.format(lot_id)).set_value(7.0).run()
    app.file_uploader[0].set_value(("first.jpg", card_photo_bytes, "image/jpeg")).run()
    assert by_key(app.number_input, field.format(lot_id)).value != 7.0
    assert "not written down" in app.warning[0].value


def test_a_note_that_is_being_written_outlives_a_photo(
    book: LotBook, lot_id: int, photos: list[Path]
) -> None:
    app = open_match(lot_id)
    by_key(app.get("button_group"), f"other-what-{lot_id}").set_value("Note").run()
    by_key(app.text_area, f"other-{lot_id}-Note").set_value("the light is").run()
    record_photos(book, lot_id, [photos[0]])
    app.run()
    assert by_key(app.text_area, f"other-{lot_id}-Note").value == "the light is"
    assert not app.warning


def test_figures_of_the_lot_are_those_of_its_newest_amendment(book: LotBook, lot_id: int) -> None:
    app = open_match(lot_id)
    by_key(app.text_input, f"amend-{lot_id}-reason").set_value("mistyped").run()
    book.lots.amend(lot_id, "measured", volume_ml=850, depth_mm=12)  # at another station
    app.run()
    assert by_key(app.number_input, f"amend-{lot_id}-volume_ml").value == 850
    assert by_key(app.number_input, f"view-{lot_id}").value == 12
    by_key(app.number_input, f"amend-{lot_id}-ceiling").set_value(40.0)
    by_key(app.text_input, f"amend-{lot_id}-reason").set_value("mistyped")
    by_key(app.button, f"amend-{lot_id}-write").click().run()
    lot = book.lots.get(lot_id)
    assert (lot.volume_ml, lot.ceiling_mg_per_l) == (850, 40)


def test_a_row_of_the_list_opens_the_lot_that_was_tapped(book: LotBook, lot_id: int) -> None:
    app = AppTest.from_file(str(APP), default_timeout=300).run()
    app.switch_page("colourmatch/screens/lots.py").run()
    book.lots.begin("newer", 500, ["red"])  # it stands first now
    app.button(key=f"lot-{lot_id}").click().run()
    assert not app.exception and str(lot_id) in app.query_params["lot"]


def test_a_second_tap_cannot_put_the_next_stock_away(book: LotBook, lot_id: int) -> None:
    book.stocks.add("yellow", "E102", 1.0)
    app = open_match(lot_id).switch_page("colourmatch/screens/set_up.py").run()
    tapped = by_key(app.button, "away-put")
    tapped.click().run()
    assert [stock.name for stock in book.stocks.all()] == ["yellow"]
    assert tapped.key not in [button.key for button in app.button]


def test_a_reading_stays_the_one_that_was_chosen_when_another_is_noted(book: LotBook, lot_id: int) -> None:
    from colourmatch.workflow.references import enter_reference

    for name, lab in (("B", [60, 45, 30]), ("C", [50, 45, 30])):
        enter_reference(book, name, lab)
    app = open_match(lot_id)
    which = by_key(app.selectbox, f"target-{lot_id}-which")
    (words,) = [one for one in which.options if one.startswith("C, the latest")]
    which.select_index(which.options.index(words)).run()
    enter_reference(book, "A", [70, 45, 30])  # it stands before the others
    by_key(app.button, f"target-{lot_id}-choose").click().run()
    assert not app.exception
    assert book.lots.get(lot_id).target_lab == (50, 45, 30)


def test_a_photo_after_the_closing_is_taken_back_where_it_was_taken(
    book: LotBook, lot_id: int, photos: list[Path]
) -> None:
    record_photos(book, lot_id, [photos[0]])
    book.lots.close(lot_id, "given up")
    book.photos.add(lot_id, book.lots.story(lot_id).photos[0].measurement, purpose="recheck")
    app = open_match(lot_id).switch_page("colourmatch/screens/lots.py").run()
    assert undo(app).label == "Photo 2 measured. Undo"
    undo(app).click().run()
    assert [photo.aside for photo in book.lots.story(lot_id).photos] == [None, UNDONE]


def test_a_finished_lot_is_opened_again_by_one_tap_for_an_hour(
    book: LotBook, lot_id: int, photos: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    record_photos(book, lot_id, [photos[0]])
    before = advised(open_match(lot_id))
    book.lots.close(lot_id, "given up")
    with monkeypatch.context() as later:
        later.setattr(amending, "FRESH", timedelta(0))
        assert undo(open_match(lot_id)) is None
    app = open_match(lot_id)
    undo(app).click().run()
    assert not app.error and not book.lots.get(lot_id).closed
    assert book.lots.story(lot_id).events[-1].reason == UNDONE
    assert advised(app) == before and undo(app) is None


def test_card_and_phone_begin_at_the_newest_lot(book: LotBook, lot_id: int) -> None:
    from colourmatch.instrument.cards import enter_card

    enter_card(book, "kitchen", [0.74, 0.48, 0.33, 0.18, 0.085, 0.03])
    app = open_match(lot_id).switch_page("colourmatch/screens/calibrations.py").run()
    assert by_key(app.selectbox, "read-with-lot").value == lot_id
    newer = book.lots.begin("newer", 500, ["red"]).id
    app.run()
    assert by_key(app.selectbox, "read-with-lot").value == newer


# ---- a draft from before ------------------------------------------------------------------------------------------


@pytest.fixture
def draft(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The file of one browser, which a reload reads."""
    file = tmp_path / "draft.json"
    for name, answer in (("_file", file), ("_claim", True), ("_is_owner", True)):
        monkeypatch.setattr(drafts, name, lambda place, answer=answer: answer)
    return file


def test_a_draft_restored_after_a_reload_does_not_choose_an_older_entry(
    book: LotBook, lot_id: int, draft: Path
) -> None:
    older, newer = (book.additions.add(lot_id, "red", drops=drops).id for drops in (20, 15))
    app = open_match(lot_id)
    by_key(app.selectbox, f"correct-{lot_id}-which").set_value(older).run()
    by_key(app.number_input, f"addition-{lot_id}-amount").set_value(7.0).run()
    again = open_match(lot_id)
    assert by_key(again.selectbox, f"correct-{lot_id}-which").value == older != newer  # nothing came since
    assert by_key(again.number_input, f"addition-{lot_id}-amount").value == 7.0
    newest = book.additions.add(lot_id, "red", drops=10).id
    later = open_match(lot_id)
    assert by_key(later.selectbox, f"correct-{lot_id}-which").value == newest
    assert by_key(later.number_input, f"addition-{lot_id}-amount").value is None
    assert draft.exists()


def test_a_finished_lot_leads_on_to_its_papers_and_to_the_next(book: LotBook, lot_id: int) -> None:
    book.lots.close(lot_id, "given up")
    app = open_match(lot_id)
    papers = [one.label for one in app.get("download_button")]
    assert papers == ["Labels (PDF)", "Lot sheet (PDF)"]
    assert {"like", "recheck"} <= {button.key for button in app.button}
    app.button(key="recheck").click().run()
    assert not app.exception and "Does the colour hold?" in shown(app)
    assert "like" in [button.key for button in app.button]


def test_what_somebody_else_put_in_bears_their_name(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    lot = book.lots.begin("cordial", 900, ["red"]).id
    book.additions.add(lot, "red", drops=5, entered_by="CD")
    app = open_match(lot)
    label = str(by_key(app.button, f"undo-{lot}").label).replace("\\", "")
    assert "written by CD" in label
