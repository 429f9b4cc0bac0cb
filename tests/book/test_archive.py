"""Backups, what is put back from them, and the check of a book."""

import io
import threading
import zipfile

import pytest
from raw_books import begin_lot, export_rows, write_file
from sqlalchemy import select

from colourmatch.book import tables
from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.book.restoring import restore_book
from colourmatch.book.rows import may_contradict
from colourmatch.errors import BookError


def another(jpeg: bytes, number: int) -> bytes:
    """The same picture as another file: the pixels a centimetre differ."""
    return jpeg[:14] + number.to_bytes(2, "big") + jpeg[16:]


@pytest.fixture
def photo_lot(book: LotBook, lot: int, jpeg: bytes) -> int:
    """A lot with a dose and a photo, which is that of a reference too; and a reference's own."""
    book.additions.add(lot, "red", drops=12)
    book.photos.add(lot, {"a": 1}, photo=jpeg)
    reference = book.references.add("Bottle").id
    for content in (jpeg, another(jpeg, 9)):
        book.references.add_reading(reference, (60, 40, 30), depth_mm=10, photo=content)
    return lot


@pytest.mark.both_databases
def test_a_backup_put_back_is_the_same_book(book, photo_lot, jpeg, second_location, tmp_path, monkeypatch):
    report = book.archive.backup(tmp_path / "deep" / "backup.zip")
    assert (report.photos, report.missing) == (2, ())
    shared, own = (str(reading.stored_name) for reading in book.references.readings("Bottle"))
    rows, kept = export_rows(book), book.photo_store.path(own).read_bytes()
    book.close()
    monkeypatch.setenv("COLOURMATCH_PHOTOS", str(tmp_path / "elsewhere"))
    with restore_book(report.path, second_location()) as second:
        assert export_rows(second) == rows
        assert sorted(second.photo_store.names()) == sorted([shared, own])
        assert second.photo_store.path(own).read_bytes() == kept
        assert second.references.find_photo(another(jpeg, 9), "Bottle").stored_name == own
        assert second.archive.check() == []
        second.additions.add(photo_lot, "red", drops=1)
        with pytest.raises(BookError, match=r"there already|not empty"):
            restore_book(report.path, second.database.engine.url.render_as_string(hide_password=False))
    assert [file.name for file in (tmp_path / "deep").iterdir()] == ["backup.zip"]


@pytest.mark.both_databases
def test_a_backup_made_while_others_write_is_consistent(book, lot, jpeg, tmp_path):
    stop = threading.Event()

    def work() -> None:
        number = 0
        while not stop.is_set():
            number += 1
            book.additions.add(lot, "red", drops=1)
            book.photos.add(lot, {}, photo=another(jpeg, number))

    writer = threading.Thread(target=work)
    writer.start()
    try:
        reports = [book.archive.backup(tmp_path / f"{number}.zip") for number in range(3)]
    finally:
        stop.set()
        writer.join()
    if book.database.engine.dialect.name == "sqlite":
        for number, report in enumerate(reports):
            with restore_book(report.path, tmp_path / f"restored-{number}.sqlite") as second:
                assert second.archive.check() == []


@pytest.mark.both_databases
def test_a_backup_goes_from_one_kind_of_database_to_the_other(book, photo_lot, second_location, tmp_path):
    if book.database.engine.dialect.name == "sqlite":
        pytest.skip("started from the server")
    rows = export_rows(book)
    report = book.archive.backup(tmp_path / "server.zip")
    with restore_book(report.path, tmp_path / "file.sqlite") as second:
        assert export_rows(second) == rows and second.archive.check() == []
        back = second.archive.backup(tmp_path / "file.zip")
    book.close()
    with restore_book(back.path, second_location()) as third:
        assert export_rows(third) == rows and third.archive.check() == []


def test_damaged_archives_are_refused_and_leave_no_book(book, photo_lot, tmp_path):
    path = book.archive.backup(tmp_path / "b.zip").path
    whole = path.read_bytes()
    with zipfile.ZipFile(path) as packed:
        members = {info.filename: packed.read(info) for info in packed.infolist()}
    photo = next(name for name in members if name.startswith("photos/"))
    database = next(name for name in members if name.startswith("book."))

    def packed_as(contents: dict[str, bytes], way: int = zipfile.ZIP_STORED) -> bytes:
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", way) as archive:
            for name, content in contents.items():
                archive.writestr(name, content)
        return out.getvalue()

    newer = members["manifest.json"].replace(b'"version": "', b'"version": "9')
    bad = {
        "cut off": whole[: len(whole) // 2],
        "no archive": b"hello",
        "no manifest": packed_as({name: data for name, data in members.items() if name != "manifest.json"}),
        "no database": packed_as({name: data for name, data in members.items() if name != database}),
        "another database": packed_as(members | {database: b"x" + members[database]}),
        "a changed photo": packed_as(members | {photo: b"x"}),
        "a photo too many": packed_as(members | {f"photos/ab/ab{'0' * 62}.jpg": b"x"}),
        "a page as a photo": packed_as(members | {f"photos/ab/ab{'0' * 62}.html": b"x"}),
        "a photo too few": packed_as({name: data for name, data in members.items() if name != photo}),
        "a manifest too large": packed_as(members | {"manifest.json": bytes(50_000_001)}),
        "a blown up database": packed_as(members | {database: bytes(60_000_000)}, zipfile.ZIP_DEFLATED),
        "a blown up photo": packed_as(members | {photo: bytes(9_000_000)}, zipfile.ZIP_DEFLATED),
        "a path out of it": packed_as(members | {"../../evil.sh": b"x"}),
        "a newer one": packed_as(members | {"manifest.json": newer}),
        "another thing": packed_as({"manifest.json": b"[]"}),
    }
    for what, content in bad.items():
        path.write_bytes(content)
        with pytest.raises(BookError) as caught:
            restore_book(path, tmp_path / "new" / "b.sqlite")
        assert caught.value.text.endswith("."), what
        assert not (tmp_path / "new" / "b.sqlite").exists(), what
    (tmp_path / "gone.sqlite-wal").write_bytes(b"x")
    with pytest.raises(BookError, match=r"gone\.sqlite-wal is there already"):
        restore_book(path, tmp_path / "gone.sqlite")
    with pytest.raises(BookError, match="cannot be read"):
        restore_book(tmp_path / "none.zip", tmp_path / "new.sqlite")
    with pytest.raises(BookError, match="cannot be written"):
        book.archive.backup(path / "b.zip")


def test_the_check_finds_photos_that_are_wrong_and_a_backup_leaves_them_out(book, photo_lot, jpeg, tmp_path):
    assert book.archive.check() == []
    _, name = (str(reading.stored_name) for reading in book.references.readings("Bottle"))
    kept = book.photo_store.path(name).read_bytes()
    stray = book.photo_store.keep(jpeg[:-2] + b"\x00\xff\xd9").name
    (finding,) = book.archive.check()
    assert finding.code == "unnamed-photo" and stray in finding.text
    book.photo_store.path(name).write_bytes(kept[:-1])
    book.photo_store.path(stray).unlink()
    assert [finding.code for finding in book.archive.check()] == ["changed-photo"]
    report = book.archive.backup(tmp_path / "b.zip")
    assert (report.photos, report.missing, report.damaged) == (1, (), (name,))
    with restore_book(report.path, tmp_path / "restored.sqlite") as second:
        assert [finding.code for finding in second.archive.check()] == ["missing-photo"]
    book.photo_store.path(name).unlink()
    assert [(one.code, name in one.text) for one in book.archive.check()] == [("missing-photo", True)]
    assert book.archive.backup(tmp_path / "lacking.zip").missing == (name,)


def test_a_photo_that_is_damaged_in_the_archive_can_be_left_out(book, photo_lot, jpeg, tmp_path):
    path = book.archive.backup(tmp_path / "b.zip").path
    bad, good = book.photo_store.names()
    data = bytearray(path.read_bytes())
    data[data.index(book.photo_store.path(bad).read_bytes()) + 100] ^= 1
    path.write_bytes(data)
    with pytest.raises(BookError, match=r"1 of 2 photos .* --leave-out-damaged"):
        restore_book(path, tmp_path / "new.sqlite")
    assert not (tmp_path / "new.sqlite").exists()
    left_out: list[str] = []
    with restore_book(path, tmp_path / "new.sqlite", leave_out=left_out.append) as second:
        assert left_out == [bad] and list(second.photo_store.names()) == [good]


def test_the_check_finds_rows_that_point_to_nothing_and_lots_that_do_not_add_up(tmp_path):
    path = tmp_path / "b.sqlite"
    lot = begin_lot(path)
    with open_book(path) as book:
        book.volumes.take_sample(lot, 100)
    with write_file(path) as rough:
        rough.execute("DROP TRIGGER lots_no_update")
        rough.execute("DROP TRIGGER stocks_no_delete")
        rough.execute("UPDATE lots SET volume_ml = 50")
        rough.execute("DELETE FROM stocks")
    with open_book(path) as book:
        findings = book.archive.check()
    assert {finding.code for finding in findings} == {"orphan", "contradiction", "altered"}
    assert any("Lot 1 does not add up" in finding.text for finding in findings)


def test_the_check_reads_each_lot_whose_entries_may_contradict_each_other(book):
    book.stocks.add("red", "E129", 1)
    dosed, sampled, moved = (book.lots.begin(name, 900, "red").id for name in ("A", "B", "C"))
    for lot in (dosed, sampled, moved):
        dose = book.additions.add(lot, "red", drops=12)
    book.volumes.take_sample(sampled, 100)
    book.entries.move(dose.id, book.lots.get(moved).created_at, "noted late")
    with book.database.read() as connection:
        asked = select(tables.lots.c.id).where(may_contradict())
        assert sorted(connection.scalars(asked)) == [sampled, moved]
