"""What is typed and not sent, in the visit's own memory and in its file; browsers are tried in tests/browser/."""

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from visiting import field, fill, go_to, open_app, tap

from colourmatch.screens import drafts
from colourmatch.workflow.lot import record_photos


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


def test_an_untouched_field_follows_the_advice(book, lot_id, photos):
    app = open_app("match", lot_id)
    assert field(app, "addition-").value is None
    record_photos(book, lot_id, [photos[0]])
    leave_and_return(app)
    assert field(app, f"addition-{lot_id}-amount").value == book.lots.story(lot_id).photos[0].advice.doses[0].drops  # fmt: skip


def test_the_stocks_chosen_for_a_new_lot_are_kept(book, lot_id):
    book.stocks.add("yellow", "E102", 1.0)
    typed = {"lot-stocks": [stock.id for stock in book.stocks.all()], "lot-name": "cordial"}
    app = leave_and_return(fill(open_app("set_up"), typed).run(), "set_up")
    assert {key: field(app, key).value for key in typed} == typed


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


@pytest.mark.parametrize("value", [True, None, b"photo", [], [True], [b"photo"], {"a": 1}, "x" * 5001])
def test_only_short_texts_numbers_and_choices_are_kept(value):
    assert not drafts._is_kept("field", value)
    assert all(drafts._is_kept("field", one) for one in ("text", 7.5, [1, 2], ["red"]))


@pytest.mark.parametrize("content", ["", "[]", "{", '{"field": true, "draft-fields": "x", "other": null}'])
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
