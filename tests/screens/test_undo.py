"""What was just entered is taken back with one tap, no field outlives its entry, and what is typed and not sent is kept."""

import errno
import os
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest
from visiting import buttons, field, fill, go_to, open_app, shown, tap, undo, upload

from colourmatch.book.lot_book import LotBook
from colourmatch.screens import amending, drafts
from colourmatch.screens.amending import UNDONE
from colourmatch.workflow.lot import IN_LOT, record_photos
from colourmatch.workflow.references import enter_reference


def advised(app: AppTest) -> list[str]:
    """What is to be done now: the large sentence, and the buttons of the doses."""
    return [*(line for line in shown(app).splitlines() if "cm-answer" in line), *buttons(app, "dose-")]


def drops_of(book: LotBook, lot_id: int) -> list[float]:
    """What counts of what was added."""
    return [entry.quantity for entry in book.lots.story(lot_id).additions]


@pytest.fixture
def dosed(book: LotBook, lot_id: int) -> int:
    """The lot with an addition of 20 drops."""
    book.additions.add(lot_id, "red", drops=20)
    return lot_id


def test_an_addition_is_taken_back_with_name_and_reason_and_the_advice_is_the_one_before(book, measured):
    app = open_app("match", measured)
    assert undo(app)
    upload(app, b"no photo", "bad.jpg")
    assert not undo(app)  # it would take the photo before the refused one
    app = open_app("match", measured)
    assert undo(app)
    before = advised(app)
    fill(app, {"who": "AB"}).run()
    tap(app, "dose-")
    (added,) = book.lots.story(measured).additions
    assert advised(app) != before
    assert undo(app).label == f"{added.quantity:g} drops of red written. Undo"
    other = open_app("match", measured)  # in another browser
    assert undo(other).label == f"{added.quantity:g} drops of red written by AB. Undo"
    tap(app, "undo-")
    story = book.lots.story(measured)
    last: Any = story.events[-1]
    assert (last.replaces_id, last.void, last.reason, last.entered_by) == (added.id, True, UNDONE, "AB")
    assert story.additions == () and added.id in [entry.id for entry in story.events]
    assert advised(app) == before and undo(app) is None


def test_only_the_newest_entry_is_offered_and_none_that_is_one_of_several(book, dosed):
    book.additions.add(dosed, "red", drops=15)
    assert undo(open_app("match", dosed)).label == "15 drops of red written. Undo"
    trial = book.trials.take(dosed, 100)
    assert undo(open_app("match", dosed)) is None and undo(open_app("match", trial.id)) is None
    book.trials.pour_back(trial.id)
    assert undo(open_app("match", dosed)) is None
    book.additions.add(dosed, "red", drops=1)
    book.entries.add_note(dosed, "stirred")
    assert undo(open_app("match", dosed)) is None
    book.additions.correct(book.additions.add(dosed, "red", drops=2).id, reason="counted again", drops=3)
    assert undo(open_app("match", dosed)) is None


@pytest.mark.parametrize("start", ["undo-", "back-"])
def test_a_tap_that_comes_after_another_entry_takes_nothing_back_and_says_so(book, dosed, start):
    app = open_app("match", dosed)
    book.additions.add(dosed, "red", drops=15)  # at another station
    tap(app, start)
    assert drops_of(book, dosed) == [20, 15] and "not written down" in app.warning[0].value
    assert undo(app).label == "15 drops of red written. Undo"


def test_a_second_tap_that_was_under_way_is_answered_as_the_first(book, dosed):
    app = open_app("match", dosed)
    key, token = undo(app).key, app.session_state[f"token-undo-{dosed}"]
    tap(app, "undo-")
    app.session_state[f"token-undo-{dosed}"] = token
    app.session_state[key] = True
    app.run()
    assert len(book.lots.story(dosed).events) == 2 and not app.warning


def test_the_dose_that_was_tapped_is_not_written_as_another_one(book, measured, photos):
    app = open_app("match", measured)
    record_photos(book, measured, [photos[1]])  # at another station: the advice is another one
    tap(app, "dose-")
    assert drops_of(book, measured) == [] and "not written down" in app.warning[0].value


def test_each_entry_of_the_history_has_its_own_undo_and_old_ones_lie_folded(book, dosed):
    (first,) = (entry.id for entry in book.lots.story(dosed).additions)
    second = book.additions.add(dosed, "red", drops=15).id
    book.entries.add_note(dosed, "stirred")
    app = open_app("match", dosed)
    taps = [button.key.split("-")[2] for button in app.button if (button.key or "").startswith("back-")]
    assert taps == [str(second), str(first)]
    tap(app, f"back-{dosed}-{first}-")
    assert drops_of(book, dosed) == [15]
    gone = book.lots.story(dosed).events[-1].id
    tap(app, f"back-{dosed}-{gone}-")
    assert drops_of(book, dosed) == [20, 15]
    for _ in range(amending.NEWEST):
        book.additions.add(dosed, "red", drops=1)
    app = open_app("match", dosed)
    assert len(buttons(app, "back-")) == amending.NEWEST
    assert [one for one in app.expander if one.label.endswith(" older")]


def test_a_closing_and_a_photo_after_it_are_taken_back_by_one_tap_for_an_hour(book, measured, monkeypatch):
    before = advised(open_app("match", measured))
    book.lots.close(measured, "given up")
    with monkeypatch.context() as later:
        later.setattr(amending, "FRESH", timedelta(0))
        assert undo(open_app("match", measured)) is None
    app = tap(open_app("match", measured), "undo-")
    assert not app.error and not book.lots.get(measured).closed
    assert book.lots.story(measured).events[-1].reason == UNDONE
    assert advised(app) == before and undo(app) is None
    book.lots.close(measured, "given up")
    book.photos.add(measured, book.lots.story(measured).photos[0].measurement, purpose="recheck")
    app = open_app("lots", measured)
    assert undo(app).label == "Photo 2 measured. Undo"
    tap(app, "undo-")
    assert [photo.aside for photo in book.lots.story(measured).photos] == [None, UNDONE]


def test_the_only_photo_taken_back_leaves_no_picture_and_no_figures(book, measured):
    app = open_app("match", measured)
    assert "cm-pair card" not in shown(app) and "good up to" in shown(app)
    text = shown(tap(app, "undo-"))
    assert "cm-pair card" in text and "Lay the card, photograph" in text
    assert "good up to" not in text and "The colours" not in text and "the batch against the reference" not in text


def test_after_a_second_addition_the_correction_offers_it(book, dosed):
    app = fill(open_app("match", dosed), {f"correct-{dosed}-reason": "of the first"}).run()
    tap(fill(app, {f"addition-{dosed}-amount": 15.0}), f"addition-{dosed}-write")
    which = field(app, f"correct-{dosed}-which")
    newest = book.lots.story(dosed).additions[-1]
    assert which.value == newest.id and which.options[0].startswith("15 drops of red, ")
    assert field(app, f"correct-{dosed}-reason").value == ""
    tap(fill(app, {f"correct-{dosed}-reason": "tapped by mistake"}), f"correct-{dosed}-write")
    assert drops_of(book, dosed) == [20]


def test_what_was_typed_before_a_photo_ends_with_it_but_for_a_note(book, lot_id, photos):
    (first,) = record_photos(book, lot_id, [photos[0]])
    note, amounts = f"other-{lot_id}-Note", (f"addition-{lot_id}-amount", f"other-{lot_id}-Sample taken-ml")
    for typed in ({amounts[0]: 7.0, f"aside-{lot_id}-why": "a lamp shone in"}, {amounts[1]: 7.0}, {note: "the light is"}):  # fmt: skip
        app = open_app("match", lot_id)
        if note in typed:
            fill(app, {f"other-what-{lot_id}": "Note"}).run()
        fill(app, typed).run()
        record_photos(book, lot_id, [photos[1]])
        book.entries.add_note(lot_id, "at another station")
        app.run()
        kept = {key: value for key, value in typed.items() if field(app, key).value == value}
        assert kept == {key: value for key, value in typed.items() if key == note}
        assert [one for one in app.warning if "not written down" in one.value] or note in typed
    which, newest = field(app, f"aside-{lot_id}-which"), book.lots.story(lot_id).photos[-1]
    assert which.value == newest.id != first.entry
    assert which.options[0].startswith(f"photo 2, {newest.created_at[:10]}")
    (fold,) = [one for one in app.expander if one.label == "Set a photo aside"]
    assert len(fold.get("image")) == 1


def test_figures_of_the_lot_are_those_of_its_newest_amendment(book, lot_id):
    app = fill(open_app("match", lot_id), {f"amend-{lot_id}-reason": "mistyped"}).run()
    book.lots.amend(lot_id, "measured", volume_ml=850, depth_mm=12)  # at another station
    app.run()
    assert field(app, f"amend-{lot_id}-volume_ml").value == 850
    assert field(app, f"view-{lot_id}").value == 12
    fill(app, {f"amend-{lot_id}-ceiling": 40.0, f"amend-{lot_id}-reason": "mistyped"})
    tap(app, f"amend-{lot_id}-write")
    lot = book.lots.get(lot_id)
    assert (lot.volume_ml, lot.ceiling_mg_per_l) == (850, 40)


def test_a_reading_stays_the_one_that_was_chosen_when_another_is_noted(book, lot_id):
    for name, lab in (("B", [60, 45, 30]), ("C", [50, 45, 30])):
        enter_reference(book, name, lab)
    app = open_app("match", lot_id)
    which = field(app, f"target-{lot_id}-which")
    (words,) = [one for one in which.options if one.startswith("C, the latest")]
    which.select_index(which.options.index(words)).run()
    enter_reference(book, "A", [70, 45, 30])  # it stands before the others
    tap(app, f"target-{lot_id}-choose")
    assert book.lots.get(lot_id).target_lab == (50, 45, 30)


def test_equal_doses_are_told_apart_where_one_is_corrected(book, measured):
    first, second = (book.additions.add(measured, "red", drops=5).id for _ in range(2))
    app = open_app("match", measured)
    app.run().run()
    which = field(app, f"correct-{measured}-which")
    assert which.value == second and len(set(which.options)) == 2
    which.set_value(first).run()
    tap(fill(app, {f"correct-{measured}-reason": "never went in"}), f"correct-{measured}-write")
    assert [entry.id for entry in book.lots.story(measured).additions] == [second]


def test_after_a_refused_photo_the_next_one_is_within_reach_beside_the_dose(book, measured):
    app = open_app("match", measured)
    (before,) = (field.proto.label_visibility.value for field in app.file_uploader)
    upload(app, b"no photo", "bad.jpg")
    (place,) = app.file_uploader
    # in the bar the place has no label
    assert buttons(app, "dose-") and place.proto.label_visibility.value != before


def test_after_the_same_photo_again_the_dose_stays_the_one_act(measured, photos):
    app = open_app("match", measured)
    (before,) = (field.proto.label_visibility.value for field in app.file_uploader)
    upload(app, photos[0].read_bytes())
    (place,) = app.file_uploader
    assert buttons(app, "dose-") and place.proto.label_visibility.value == before and IN_LOT in shown(app)


def leave_and_return(app: Any, page: str = "match") -> Any:
    return go_to(go_to(app, "lots"), page)


def test_what_was_typed_is_found_again_unfolded_until_it_is_emptied_or_written(book, lot_id):
    def is_open(words: str) -> bool:
        (fold,) = [one for one in app.expander if one.label == words]
        return bool(fold.proto.expanded)

    app, amount = open_app("match", lot_id), f"addition-{lot_id}-amount"
    assert not is_open("Another amount went in")
    for typed in (7.0, None, 8.0):
        fill(app, {amount: typed}).run()
        leave_and_return(app)
        assert field(app, amount).value == typed and not app.warning
        assert is_open("Another amount went in") is (typed is not None)
    assert not is_open("Put figures of the lot right")
    leave_and_return(tap(app, f"addition-{lot_id}-write"))
    assert field(app, amount).value is None
    assert [entry.quantity for entry in book.lots.story(lot_id).additions] == [8.0]


def test_an_untouched_field_follows_the_advice_and_chosen_stocks_are_kept(book, lot_id, photos):
    app = open_app("match", lot_id)
    assert field(app, "addition-").value is None
    record_photos(book, lot_id, [photos[0]])
    leave_and_return(app)
    assert field(app, f"addition-{lot_id}-amount").value == book.lots.story(lot_id).photos[0].advice.doses[0].drops  # fmt: skip
    book.stocks.add("yellow", "E102", 1.0)
    typed = {"lot-stocks": [stock.id for stock in book.stocks.all()], "lot-name": "cordial"}
    app = leave_and_return(fill(open_app("set_up"), typed).run(), "set_up")
    assert {key: field(app, key).value for key in typed} == typed


def test_an_emptied_ceiling_stays_empty(book, lot_id, keep_in, tmp_path, monkeypatch):
    keep_in(tmp_path / "draft.json")
    for name in ("_claim", "_is_owner"):
        monkeypatch.setattr(drafts, name, lambda place: True)
    app, ceiling = open_app("set_up"), "lot-ceiling_mg_per_l"
    assert field(app, ceiling).value == 30
    leave_and_return(fill(app, {ceiling: None}).run(), "set_up")
    again = open_app("set_up")  # after a reload
    assert field(app, ceiling).value is None and field(again, ceiling).value is None
    leave_and_return(fill(again, {ceiling: 40.0}).run(), "set_up")
    assert field(again, ceiling).value == 40


@pytest.fixture
def keep_in(monkeypatch: pytest.MonkeyPatch) -> Callable[[Path], None]:
    """Says which file is that of the browser."""
    return lambda file: monkeypatch.setattr(drafts, "_file", lambda place: file)


def test_a_draft_after_a_reload_does_not_choose_an_older_entry(book, lot_id, keep_in, tmp_path, monkeypatch):
    keep_in(tmp_path / "draft.json")
    for name in ("_claim", "_is_owner"):
        monkeypatch.setattr(drafts, name, lambda place: True)
    which, amount = f"correct-{lot_id}-which", f"addition-{lot_id}-amount"
    older, newer = (book.additions.add(lot_id, "red", drops=drops).id for drops in (20, 15))
    app = fill(open_app("match", lot_id), {which: older}).run()
    fill(app, {amount: 7.0}).run()
    again = open_app("match", lot_id)
    # nothing came since
    assert field(again, which).value == older != newer and field(again, amount).value == 7.0
    newest = book.additions.add(lot_id, "red", drops=10).id
    later = open_app("match", lot_id)
    assert field(later, which).value == newest and field(later, amount).value is None
    assert (tmp_path / "draft.json").exists()


@pytest.mark.parametrize("value", [True, b"photo", [], [True], [b"photo"], {"a": 1}, "x" * 5001])
def test_only_short_texts_numbers_and_choices_are_kept(value):
    assert not drafts._is_kept("field", value)
    assert all(drafts._is_kept("field", one) for one in ("text", 7.5, None, [1, 2], ["red"]))


@pytest.mark.parametrize("content", ["", "[]", "{", '{"field": true, "draft-fields": "x", "other": {}}'])
def test_a_damaged_file_is_as_none(keep_in, tmp_path, content):
    keep_in(tmp_path / "draft.json")
    (tmp_path / "draft.json").write_text(content)
    assert drafts._read("book") == {}


def test_a_file_is_for_this_user_alone_and_the_oldest_go(keep_in, tmp_path):
    folder = tmp_path / "drafts"
    for number in range(105):
        keep_in(folder / f"{number}.json")
        drafts._write("book", {"field": number})
    files = list(folder.iterdir())
    assert len(files) == 100 and {file.stat().st_mode & 0o077 for file in files} == {0}
    assert drafts._read("book") == {"field": 104}
    old = folder / "50.json"
    os.utime(old, (1e9, 1e9))
    keep_in(old)
    assert drafts._read("book") == {}
    keep_in(folder / "new.json")
    drafts._write("book", {})
    assert not old.exists()


def test_a_full_disk_costs_the_new_draft_alone_and_leaves_no_piece(keep_in, tmp_path, monkeypatch):
    file = tmp_path / "drafts" / "draft.json"
    keep_in(file)
    drafts._write("book", {"field": "old"})

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", full)
        drafts._write("book", {"field": "new"})
    assert drafts._read("book") == {"field": "old"} and list(file.parent.iterdir()) == [file]
