"""What is typed and not sent, in the visit's own memory; files and browsers are tried in tests/browser/."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from test_pages import by_key, open_app

from colourmatch.book.lot_book import LotBook
from colourmatch.screens import drafts
from colourmatch.workflow.lot import record_photos


@pytest.fixture
def lot_id(book: LotBook) -> int:
    book.stocks.add("red", "E129", 1.0)
    return book.lots.begin("bitter aperitif", 900, ["red"], ceiling_mg_per_l=30).id


def amount(app):
    return by_key(app.number_input, "addition-")


def test_a_page_that_is_left_gives_back_what_was_typed(book: LotBook, lot_id: int) -> None:
    app = open_app("match", lot=str(lot_id))
    amount(app).set_value(7.0).run()
    app.switch_page("colourmatch/screens/lots.py").run()
    app.switch_page("colourmatch/screens/match.py").run()
    assert amount(app).value == 7.0
    assert not app.exception and not app.warning


def test_a_field_that_was_emptied_again_stays_empty(lot_id: int) -> None:
    app = open_app("match", lot=str(lot_id))
    amount(app).set_value(7.0).run()
    amount(app).set_value(None).run()
    app.switch_page("colourmatch/screens/lots.py").run()
    app.switch_page("colourmatch/screens/match.py").run()
    assert amount(app).value is None


def test_a_form_with_something_typed_is_found_unfolded(lot_id: int) -> None:
    app = open_app("match", lot=str(lot_id))
    assert not folded(app, "Another amount went in").proto.expanded
    amount(app).set_value(7.0).run()
    app.switch_page("colourmatch/screens/lots.py").run()
    app.switch_page("colourmatch/screens/match.py").run()
    assert folded(app, "Another amount went in").proto.expanded
    assert not folded(app, "Put figures of the lot right").proto.expanded


def test_the_stocks_chosen_for_a_new_lot_are_kept(book: LotBook, lot_id: int) -> None:
    book.stocks.add("yellow", "E102", 1.0)
    ids = [stock.id for stock in book.stocks.all()]
    app = open_app("set_up")
    by_key(app.multiselect, "lot-stocks").set_value(ids).run()
    by_key(app.text_input, "lot-name").set_value("cordial").run()
    app.switch_page("colourmatch/screens/lots.py").run()
    app.switch_page("colourmatch/screens/set_up.py").run()
    assert by_key(app.multiselect, "lot-stocks").value == ids
    assert by_key(app.text_input, "lot-name").value == "cordial"


def folded(app, words: str):
    (found,) = [one for one in app.expander if one.label == words]
    return found


def test_what_was_written_down_is_not_typed_again(book: LotBook, lot_id: int) -> None:
    app = open_app("match", lot=str(lot_id))
    amount(app).set_value(7.0)
    by_key(app.button, f"addition-{lot_id}-write").click()
    app.run()
    app.switch_page("colourmatch/screens/lots.py").run()
    app.switch_page("colourmatch/screens/match.py").run()
    assert amount(app).value is None
    assert [entry.quantity for entry in book.lots.story(lot_id).additions] == [7.0]


def test_an_untouched_field_follows_the_advice(book: LotBook, lot_id: int, photos: list[Path]) -> None:
    app = open_app("match", lot=str(lot_id))
    assert amount(app).value is None
    app.switch_page("colourmatch/screens/lots.py").run()
    record_photos(book, lot_id, [photos[0]])
    app.switch_page("colourmatch/screens/match.py").run()
    assert amount(app).value == book.lots.story(lot_id).photos[0].advice["doses"][0]["drops"]


@pytest.mark.parametrize("value", [True, None, b"photo", [], [True], [b"photo"], {"a": 1}, "x" * 5001])
def test_only_short_texts_numbers_and_choices_are_kept(value: object) -> None:
    assert not drafts._is_kept("field", value)
    assert all(drafts._is_kept("field", one) for one in ("text", 7.5, [1, 2], ["red"]))


@pytest.mark.parametrize("content", ["", "[]", "{", '{"field": true, "draft-fields": "x", "other": null}'])
def test_a_damaged_file_is_as_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, content: str) -> None:
    file = tmp_path / "draft.json"
    file.write_text(content)
    monkeypatch.setattr(drafts, "_file", lambda place: file)
    assert drafts._read("book") == {}


def test_a_file_is_for_this_user_alone_and_the_oldest_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(105):
        monkeypatch.setattr(drafts, "_file", lambda place, n=number: tmp_path / "drafts" / f"{n}.json")
        drafts._write("book", {"field": number})
    files = list((tmp_path / "drafts").iterdir())
    assert len(files) == 100 and {file.stat().st_mode & 0o077 for file in files} == {0}
    assert drafts._read("book") == {"field": 104}
    old = tmp_path / "drafts" / "50.json"
    os.utime(old, (1e9, 1e9))
    monkeypatch.setattr(drafts, "_file", lambda place: old)
    assert drafts._read("book") == {}
    monkeypatch.setattr(drafts, "_file", lambda place: tmp_path / "drafts" / "new.json")
    drafts._write("book", {})
    assert not old.exists()


def test_a_full_disk_costs_the_new_draft_alone_and_leaves_no_piece(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "drafts" / "draft.json"
    monkeypatch.setattr(drafts, "_file", lambda place: file)
    drafts._write("book", {"field": "old"})

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", full)
        drafts._write("book", {"field": "new"})
    assert drafts._read("book") == {"field": "old"} and list(file.parent.iterdir()) == [file]
