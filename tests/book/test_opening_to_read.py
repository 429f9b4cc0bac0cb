"""Opening a book only to read it: nothing is made, and a place that may only be read is left as it is."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from colourmatch.book import lot_book, tables
from colourmatch.book.lot_book import open_book, open_or_read_book, read_book
from colourmatch.errors import BookError

ROOT = Path(__file__).parents[2]
LOOK = """
import json, sys
from colourmatch.errors import ColourMatchError
from colourmatch.book.lot_book import read_book
try:
    with read_book(sys.argv[1]) as book:
        print(json.dumps({"stocks": [stock.name for stock in book.stocks.all()], "note": book.note}))
except ColourMatchError as error:
    print(json.dumps({"error": error.text}))
"""


def make_book(folder: Path) -> Path:
    path = folder / "book.sqlite"
    with open_book(path) as book:
        book.stocks.add("red", "E129", 1.0)
    return path


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def look_without_the_right_to_write(path: Path) -> dict:
    """What a reader sees who may not write into the folder; root has to lay that right down first."""
    path.chmod(0o444)
    path.parent.chmod(0o555)
    call = [sys.executable, "-c", LOOK, str(path)]
    if os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("root may write everywhere, and setpriv is not there to lay that down")
        call = ["setpriv", "--bounding-set", "-dac_override", *call]
    try:
        done = subprocess.run(
            call, capture_output=True, text=True, timeout=600, env=os.environ | {"PYTHONPATH": str(ROOT)}
        )
    finally:
        path.parent.chmod(0o755)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.parametrize("empty_file", [False, True])
def test_a_book_that_is_not_there_is_empty_and_stays_away(tmp_path, empty_file):
    path = tmp_path / "deep" / "book.sqlite"
    if empty_file:
        path.parent.mkdir()
        path.touch()
    with read_book(path) as book:
        assert (book.stocks.all(), book.lots.search(), book.place) == ([], [], str(path))
        assert book.note.startswith(f"There is no lot book at {path} yet. The first entry makes it")
        with pytest.raises(BookError, match="may only be read here"):
            book.stocks.add("red", "E129", 1.0)
    with pytest.raises(BookError, match=r"There is no lot book at .* yet\. Give another place with --book"):
        read_book(path, needed=True)
    assert (
        path.stat().st_size == 0 and names(path.parent) == {path.name}
        if empty_file
        else names(tmp_path) == set()
    )


def test_a_book_is_read_as_ever_where_it_may_be_written_and_nothing_else_is(tmp_path):
    with read_book(make_book(tmp_path), needed=True) as book:
        assert [stock.name for stock in book.stocks.all()] == ["red"] and book.note == ""
    (tmp_path / "text").write_text("no database, but long enough to be read")
    with pytest.raises(BookError, match="is not a lot book"):
        read_book(tmp_path / "text")
    with pytest.raises(BookError, match="is a folder"):
        read_book(tmp_path)


def test_a_book_that_may_only_be_read_is_read_and_nothing_is_written_beside_it(tmp_path):
    path = make_book(tmp_path)
    before = names(tmp_path)
    seen = look_without_the_right_to_write(path)
    assert seen["stocks"] == ["red"]
    assert seen["note"] == f"The lot book {path} may only be read here: nothing can be entered."
    assert names(tmp_path) == before


def test_entries_of_a_log_that_cannot_be_read_there_are_not_passed_over(tmp_path):
    own, copied = tmp_path / "own", tmp_path / "copied"
    own.mkdir()
    copied.mkdir()
    path = make_book(own)
    with open_book(path) as book:
        book.stocks.add("crimson", "E129", 1.0)
        for name in ("book.sqlite", "book.sqlite-wal"):  # as a copy of a disk in use has them
            shutil.copy(own / name, copied / name)
    seen = look_without_the_right_to_write(copied / "book.sqlite")
    if "error" in seen:
        assert (
            "holds entries in book.sqlite-wal that cannot be read where nothing may be written"
            in seen["error"]
        )
    else:
        assert seen["stocks"] == ["crimson", "red"]


def test_another_version_that_may_only_be_read_says_what_to_do(tmp_path):
    path = make_book(tmp_path)
    for version, said in (
        ("0001", f"brought to version {tables.VERSION}. Copy it to a folder of your own"),
        ("9999", "Update colourmatch"),
    ):
        path.chmod(0o644)
        with sqlite3.connect(path) as connection:
            connection.execute("UPDATE alembic_version SET version_num = ?", (version,))
        connection.close()
        assert said in look_without_the_right_to_write(path)["error"]


def test_what_may_not_be_written_is_opened_to_read_and_all_else_to_write(tmp_path, monkeypatch):
    path = make_book(tmp_path)
    with open_or_read_book(path) as book:
        assert not book.read_only and book.stocks.add("blue", "E133", 1.0).id
    state = lot_book.tell_state(path)
    assert state is None  # it may be written: there is no need to look whether others did
    monkeypatch.setattr(lot_book, "may_write", lambda path: False)
    with open_or_read_book(path) as book:
        assert book.read_only and "may only be read" in book.note
        with pytest.raises(BookError, match="may only be read here"):
            book.stocks.add("green", "E142", 1.0)
    before = lot_book.tell_state(path)
    with open_book(path) as book:
        book.stocks.add("green", "E142", 1.0)
    assert before != lot_book.tell_state(path)
    assert lot_book.tell_state(tmp_path / "none.sqlite") is None
