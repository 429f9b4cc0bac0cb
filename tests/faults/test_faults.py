"""Faults provoked for real: full disks, folders that may not be written, clocks, files and servers that go away.

What was confirmed is still there afterwards, and the message says what happened and what to do.
"""

import json
import os
import random
import re
import shutil
import sqlite3
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from known_pictures import draw_noise, to_file
from PIL import Image
from processes import ROOT, run_python
from raw_books import begin_lot

from colourmatch.book import archive, checks
from colourmatch.book import transactions as base
from colourmatch.book.lot_book import open_book, open_or_read_book, read_book
from colourmatch.book.restoring import restore_book
from colourmatch.cli import run
from colourmatch.errors import BookError
from colourmatch.workflow.closing import close_lot
from colourmatch.workflow.describing import describe_lot
from colourmatch.workflow.lot import record_photos
from colourmatch.workflow.recheck import record_recheck


@pytest.fixture
def small_disk() -> Iterator[Path]:
    """A file system of 2 MB of its own; skipped where this user may mount none."""
    place = Path(tempfile.mkdtemp())
    call = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)]
    mounted = shutil.which("mount") and subprocess.run(call, capture_output=True, check=False)
    if not mounted or mounted.returncode:
        place.rmdir()
        pytest.skip("no right to mount a small file system")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)
    place.rmdir()


_KILLED_WITH_A_LOG = """
import os, sys
from colourmatch.book.lot_book import open_book
book = open_book(sys.argv[1])
book.entries.add_note(1, "within the log")
os._exit(0)
"""


def fill(disk: Path) -> None:
    """Leave not a single page free."""
    with suppress(OSError), (disk / "ballast").open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))


@pytest.mark.parametrize("killed", [False, True])
def test_a_full_disk_still_reads_and_backs_up(small_disk, tmp_path, killed):
    path = small_disk / "b.sqlite"
    lot = begin_lot(path)
    if killed:
        assert run_python("-c", _KILLED_WITH_A_LOG, path).returncode == 0
        path.with_name("b.sqlite-shm").unlink()
    for way in (read_book, open_or_read_book):
        fill(small_disk)  # the log that the one before has closed has made room
        with way(path) as book:
            assert book.read_only and "is full" in book.note
            assert len(book.lots.story(lot).events) == killed
            assert book.archive.check() == []
            book.archive.backup(tmp_path / "out.zip")
    with restore_book(tmp_path / "out.zip", tmp_path / "restored.sqlite") as restored:
        assert len(restored.lots.story(lot).events) == killed
    (small_disk / "ballast").unlink()
    with open_book(path) as book:
        book.entries.add_note(lot, "there is room again")
        assert len(book.lots.story(lot).events) == killed + 1


@pytest.mark.parametrize("way", [read_book, open_or_read_book])
def test_on_a_full_disk_what_is_no_book_is_told_as_it_is(small_disk, way):
    (small_disk / "folder").mkdir()
    with closing(sqlite3.connect(small_disk / "bare.sqlite")) as bare:
        bare.execute("PRAGMA journal_mode = WAL")
        bare.execute("CREATE TABLE x (y)")
        bare.execute("DROP TABLE x")
        bare.commit()
    fill(small_disk)
    for name, told in (("folder", "is a folder"), ("bare.sqlite", "There is no room left")):
        with pytest.raises(BookError, match=told):
            way(small_disk / name)


def test_a_photo_without_room_is_not_entered_and_leaves_no_piece(small_disk):
    path = small_disk / "b.sqlite"
    lot = begin_lot(path)
    with open_book(path) as book:
        free = os.statvfs(small_disk)
        (small_disk / "ballast").write_bytes(bytes(free.f_bavail * free.f_frsize - 300_000))
        noise = Image.frombytes("RGB", (700, 500), random.Random(2).randbytes(1_050_000))
        with pytest.raises(BookError, match=r"cannot be kept .* No space left .* then add the photo again\."):
            book.photos.add(lot, {"photo": "a.png"}, photo=to_file(noise, "PNG"))
        assert book.lots.story(lot).photos == () and book.archive.check() == []
        assert [file for file in book.photo_store.folder.rglob("*") if file.is_file()] == []


#: Every command that writes a file, and the file.
WRITING = {
    "card.pdf": ["card"],
    "label.pdf": ["lot", "label", "1", "--copies", "40"],
    "sheet.pdf": ["lot", "sheet", "1"],
    "book.json": ["lot", "export"],
    "entries.csv": ["lot", "export", "--rows", "entries"],
    "backup.zip": ["book", "backup"],
}


def ask(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    """A command's exit code and its JSON."""
    code = run([*words, "--json"])
    return code, json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(("free", "old"), [(0, b""), (4096, b"what was there before")])
def test_a_file_without_room_is_not_written_and_the_old_one_stays(small_disk, tmp_path, capsys, free, old):
    """No room at all, or room for the first half of it."""
    lot = begin_lot(tmp_path / "b.sqlite")
    with open_book(tmp_path / "b.sqlite") as book:
        for k in range(6):
            book.entries.add_note(lot, f"note {k} {random.Random(k).randbytes(1500).hex(' ')}")
    larger = WRITING if not free else {name: WRITING[name] for name in WRITING if name != "card.pdf"}
    names = list(larger) if old else []
    for name in names:
        (small_disk / name).write_bytes(old)
    room = os.statvfs(small_disk)
    (small_disk / "ballast").write_bytes(bytes(room.f_bavail * room.f_frsize - free))
    for name, words in larger.items():
        place = [] if name == "card.pdf" else ["--book", str(tmp_path / "b.sqlite")]
        code, said = ask(capsys, *words, *place, "--out", str(small_disk / name))
        assert code == 2, name
        assert re.search(r"cannot be written.*No space left.*Make room", said["error"]["text"]), name
        assert sorted(file.name for file in small_disk.iterdir()) == sorted(["ballast", *names]), name
        assert all((small_disk / kept).read_bytes() == old for kept in names), name
    (small_disk / "ballast").unlink()
    code, said = ask(capsys, "card", "--out", str(small_disk / "card.pdf"))
    assert code == 0 and (small_disk / "card.pdf").read_bytes().startswith(b"%PDF")


def test_a_backup_restored_without_room_leaves_no_half_book(small_disk, tmp_path, capsys):
    lot = begin_lot(tmp_path / "b.sqlite")
    with open_book(tmp_path / "b.sqlite") as book:
        book.photos.add(lot, {"photo": "a.jpg"}, photo=draw_noise())
        book.archive.backup(tmp_path / "b.zip")
    room = os.statvfs(small_disk)
    (small_disk / "ballast").write_bytes(bytes(room.f_bavail * room.f_frsize - 40_960))
    restore = ("book", "restore", str(tmp_path / "b.zip"), "--book", str(small_disk / "new.sqlite"))
    code, said = ask(capsys, *restore)
    assert code == 2 and "restore the backup again" in said["error"]["text"]
    left = [file.name for file in small_disk.rglob("*") if file.is_file()]
    assert not any(".partial" in name or "new.sqlite" in name for name in left), left
    (small_disk / "ballast").unlink()
    code, said = ask(capsys, *restore)
    assert (code, said["lots"]) == (0, 1)


_READ_ONLY = """
import os, sys, tempfile
from colourmatch.errors import ColourMatchError
from colourmatch.book.lot_book import open_book, read_book
photo = open(sys.argv[3], "rb").read()
with tempfile.TemporaryDirectory() as folder:  # all that will be imported is, while this user may still read it
    with open_book(folder + "/b.sqlite") as book:
        book.stocks.add("red", "E129", 1)
        book.entries.add_note(book.lots.begin("A", 900, "red").id, "x")
        book.photos.add(1, {"photo": "a.jpg"}, photo=photo)
        book.archive.backup(folder + "/b.zip")
    read_book(folder + "/b.sqlite").lots.search()
if os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
for act in (
    lambda: open_book(sys.argv[1] + "/new.sqlite"),
    lambda: open_book(sys.argv[1] + "/b.sqlite").entries.add_note(1, "x"),
    lambda: open_book(sys.argv[2]).photos.add(1, {"photo": "a.jpg"}, photo=photo),
    lambda: read_book(sys.argv[1] + "/b.sqlite").archive.backup(sys.argv[1] + "/b.zip"),
):
    try:
        act()
        print("done")
    except ColourMatchError as error:
        print(error)
print(len(read_book(sys.argv[1] + "/b.sqlite").lots.search()))
"""


@pytest.fixture
def open_to_all() -> Iterator[Path]:
    """A folder that every user of this machine may enter."""
    place = Path(tempfile.mkdtemp())
    place.chmod(0o777)
    yield place
    for folder in place.rglob("*"):
        folder.chmod(0o755)
    shutil.rmtree(place)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="rights of folders are of another kind here")
def test_a_folder_that_may_not_be_written_says_so_and_can_still_be_read(open_to_all):
    locked, photo = open_to_all / "locked", open_to_all / "a.jpg"
    locked.mkdir()
    begin_lot(locked / "b.sqlite")
    begin_lot(open_to_all / "c.sqlite")
    photo.write_bytes(draw_noise())
    (open_to_all / "c.sqlite.photos").mkdir()
    for path, rights in ((locked / "b.sqlite", 0o444), (locked, 0o555), (open_to_all / "c.sqlite.photos", 0o555),
                         (open_to_all / "c.sqlite", 0o666), (photo, 0o644)):  # fmt: skip
        path.chmod(rights)
    said = run_python("-c", _READ_ONLY, locked, open_to_all / "c.sqlite", photo, cwd="/")
    assert said.returncode == 0, said.stderr
    fresh, entered, kept, backup, lots = said.stdout.splitlines()
    assert "cannot be opened. Check the path and its rights." in fresh
    assert "may only be read here. Change its rights" in entered
    assert "cannot be kept" in kept and "Permission denied" in kept and "the rights of that folder" in kept
    assert "cannot be written: Permission denied" in backup and "Give another path" in backup
    assert lots == "1"


def set_clock(monkeypatch: pytest.MonkeyPatch, now: datetime) -> None:
    """The time of day of whatever is entered from now on."""
    for module in (base, archive):
        monkeypatch.setattr(module, "utc_text", lambda moment=None: checks.utc_text(moment or now))


def test_a_clock_set_back_keeps_the_order_and_the_story_at_every_time(tmp_path, monkeypatch):
    lot = begin_lot(tmp_path / "b.sqlite")
    with open_book(tmp_path / "b.sqlite") as book:
        first = book.additions.add(lot, "red", drops=10)
        set_clock(monkeypatch, datetime.now(UTC) - timedelta(days=400))
        second = book.additions.add(lot, "red", drops=5)
        fixed = book.additions.correct(second.id, drops=4, reason="counted again")
        monkeypatch.undo()
        third = book.additions.add(lot, "red", drops=1)
        times = [entry.created_at for entry in book.lots.story(lot).events]
        entered = [one.id for one in (first, second, fixed, third)]
        assert [entry.id for entry in book.lots.story(lot).events] == entered
        assert times == sorted(times)
        # at that very time all three were entered, and none is shown without the one before
        then, now = book.lots.story(lot, at=first.created_at), book.lots.story(lot)
        assert then.state().mg["red"] == pytest.approx(now.state().mg["red"] * 14 / 15)
        assert book.archive.check() == []


def test_entries_from_the_future_are_named_by_the_check(tmp_path, monkeypatch):
    lot = begin_lot(tmp_path / "b.sqlite")
    with open_book(tmp_path / "b.sqlite") as book:
        set_clock(monkeypatch, datetime.now(UTC) + timedelta(days=30))
        book.additions.add(lot, "red", drops=10)
        monkeypatch.undo()
        (finding,) = book.archive.check()
        assert finding.code == "clock" and "Set the clock of this machine right" in finding.text
        book.additions.add(lot, "red", drops=5)
        assert book.archive.check() == []
        assert book.lots.story(lot).state().mg["red"] == pytest.approx(7.5)


def gone(path: Path) -> None:
    """Move a book away with what belongs to it."""
    for end in ("", "-wal", "-shm"):
        if path.with_name(path.name + end).exists():
            path.with_name(path.name + end).rename(path.with_name("moved" + end))


def test_a_book_removed_while_it_is_open_takes_no_entry_and_goes_on_when_it_is_back(tmp_path):
    path = tmp_path / "b.sqlite"
    lot = begin_lot(path)
    with open_book(path) as book:
        book.additions.add(lot, "red", drops=1)
        gone(path)
        with pytest.raises(BookError, match=r"was moved or removed while it was open, .* Put it back there "):
            book.additions.add(lot, "red", drops=2)
        assert not path.exists()  # no empty book stands in for it
        for end in ("", "-wal", "-shm"):
            if path.with_name("moved" + end).exists():
                path.with_name("moved" + end).rename(path.with_name(path.name + end))
        book.additions.add(lot, "red", drops=4)
    with open_book(path) as book:
        assert [entry.quantity for entry in book.lots.story(lot).additions] == [1, 4]
        assert book.archive.check() == []


def test_a_book_removed_in_the_middle_of_a_save_confirms_nothing(tmp_path, monkeypatch):
    path = tmp_path / "b.sqlite"
    lot = begin_lot(path)
    with open_book(path) as book:
        book.lots.search()
        # called behind the insert, before the commit
        monkeypatch.setattr("colourmatch.book.transactions.find_entry", lambda *_: gone(path))
        with pytest.raises(BookError, match="nothing was entered"):
            book.entries.add_note(lot, "lost")
    monkeypatch.undo()
    with open_book(tmp_path / "moved") as book:
        assert book.lots.story(lot).events == () and book.archive.check() == []


def test_a_book_put_in_the_place_of_an_open_one_is_the_one_that_is_written(tmp_path):
    path = tmp_path / "b.sqlite"
    lot = begin_lot(path)
    begin_lot(tmp_path / "other.sqlite")
    with open_book(path) as book:
        book.entries.add_note(lot, "into the first")
        gone(path)
        (tmp_path / "other.sqlite").rename(path)
        book.entries.add_note(lot, "into the second")
        assert [entry.text for entry in book.lots.story(lot).events] == ["into the second"]
    with open_book(tmp_path / "moved") as book:
        assert [entry.text for entry in book.lots.story(lot).events] == ["into the first"]


def test_a_lot_whose_photo_file_is_gone_is_told_in_full_and_the_photo_puts_it_back(tmp_path, drawn_photos):
    lot = begin_lot(tmp_path / "b.sqlite")
    with open_book(tmp_path / "b.sqlite") as book:
        (result,) = record_photos(book, lot, [drawn_photos[0]])
        before = describe_lot(book, lot)
        shutil.rmtree(book.photo_store.folder)
        assert json.dumps(describe_lot(book, lot)["photos"]) == json.dumps(before["photos"])
        (finding,) = book.archive.check()
        assert finding.code == "missing-photo" and "add it to its lot again" in finding.text
        (again,) = record_photos(book, lot, [drawn_photos[0]])
        assert again.entry == result.entry and again.repeated
        assert len(book.lots.story(lot).photos) == 1 and book.archive.check() == []
        shutil.rmtree(book.photo_store.folder)
        close_lot(book, lot)
        (sent,) = record_recheck(book, lot, [drawn_photos[0]])
        assert sent.entry == result.entry and book.archive.check() == []


def test_a_backup_never_takes_the_place_of_a_folder_or_a_device(tmp_path):
    begin_lot(tmp_path / "b.sqlite")
    os.mkfifo(tmp_path / "pipe") if hasattr(os, "mkfifo") else (tmp_path / "pipe").mkdir()
    (tmp_path / "folder").mkdir()
    with open_book(tmp_path / "b.sqlite") as book:
        for name in ("pipe", "folder"):
            with pytest.raises(BookError, match=r"is no file\. Give another path for the backup"):
                book.archive.backup(tmp_path / name)
            assert not (tmp_path / name).is_file()


_OLD_BOOK = """
import sys
sys.path[:0] = sys.argv[2:]
from test_migrations import make_older
make_older(sys.argv[1], "0003")
"""


@pytest.fixture(scope="module")
def old_book(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A book of version 0003, made by another process: this one has the tables of today."""
    path = tmp_path_factory.mktemp("old") / "b.sqlite"
    made = run_python("-c", _OLD_BOOK, path, ROOT / "tests", ROOT / "tests" / "book")
    assert made.returncode == 0, made.stderr
    return path.read_bytes()


@pytest.mark.parametrize("free_kb", [0, 200, 320, 400])
def test_a_migration_without_room_ends_in_a_sentence_and_is_done_when_there_is(small_disk, old_book, free_kb):
    path, before = small_disk / "b.sqlite", old_book
    path.write_bytes(before)
    fill(small_disk)
    with (small_disk / "ballast").open("rb+") as ballast:
        ballast.truncate((small_disk / "ballast").stat().st_size - free_kb * 1024)
    try:
        open_book(path).close()
    except BookError as error:
        assert "oom" in error.text and error.text.endswith("."), error.text
        assert path.read_bytes() == before
    assert not list(small_disk.glob(".partial-*"))
    (small_disk / "ballast").unlink()
    with open_book(path) as book:
        assert book.archive.check() == []
