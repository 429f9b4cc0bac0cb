"""Backups, what is put back from them, the check of a book; exports, and an export read back into an empty book."""

import csv
import io
import json
import threading
import zipfile

import pytest
from raw_books import begin_lot, export_rows, export_text, write_file
from sqlalchemy import select

from colourmatch.advice import Advice
from colourmatch.book import tables
from colourmatch.book.calibrations import CARD
from colourmatch.book.export import ENTRY_COLUMNS, LOT_COLUMNS, make_harmless
from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.book.restoring import restore_book
from colourmatch.book.rows import may_contradict
from colourmatch.book.tables import HISTORY
from colourmatch.colour.difference import Figure
from colourmatch.errors import BookError, InputError


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


@pytest.fixture
def full_book(book: LotBook, lot: int, jpeg: bytes) -> LotBook:
    """Something in every table."""
    reference = book.references.add("Bottle", "n")
    book.references.add_reading(reference.id, (60, 40, 30), depth_mm=10, measurement={"x": [1, None]})
    book.references.add_reading(
        reference.id, (61, 41, 31), depth_mm=10, photo=jpeg, original_name="Foto 苦.jpg",
        taken_at="2026-03-02T08:09:10+00:00",
    )  # fmt: skip
    book.stocks.weigh("red", 40, 1.93, token="w")
    book.stocks.learn("red", 0.91, 0.05, lot)
    first = book.additions.add(lot, "red", drops=12, token="t", entered_by="Zoë")
    measured = {"delta_e_2000": {"value": 1.25, "low": 1, "high": 1.5}}
    photo = book.photos.add(lot, measured, {"action": "stop"}, photo=jpeg)
    book.photos.set_aside(lot, photo.id, "a lamp shone in")
    book.photos.set_aside(lot, photo.id, "it was all right", back=True)
    book.additions.correct(first.id, drops=13, reason="miscounted")
    book.volumes.correct(book.volumes.take_sample(lot, 20).id, void=True, reason="spilt back")
    untinted = book.volumes.add_untinted(lot, 10)
    book.entries.move(untinted.id, untinted.created_at, "noted late")
    book.entries.add_note(lot, 'two\nlines, "quoted" 苦')
    book.lots.amend(lot, "x", ceiling_mg_per_l=55)
    book.calibrations.add(CARD, "at home", {"greys": [0.1, 0.5]}, photo=(jpeg, "card.jpg"))
    book.lots.close(lot, "matched", "ok", {"lab": [1, 2, 3]})
    book.lots.reopen(lot, "too early")
    book.stocks.correct("yellow", "misread", strength_g_per_100ml=1.1, notes="of June")
    book.lots.close(lot, "matched", "ok", {"lab": [1, 2, 3]})
    book.lots.begin("=cmd|' /C calc'!A0", 500, "yellow", reference="Bottle", notes="-1+2")
    return book


def test_the_export_is_one_json_document_with_a_row_a_line(full_book):
    text = export_text(full_book)
    document = json.loads(text)
    assert document["format"] == "colourmatch-book"
    assert document["row_count"] == len(document["rows"]) == text.count("\n") - 2
    assert {name for name, _row in document["rows"]} == {table.name for table in HISTORY}


@pytest.mark.both_databases
def test_an_export_read_into_an_empty_book_gives_the_same_book(full_book, second_location, location):
    text, rows = export_text(full_book), export_rows(full_book)
    lots = [full_book.lots.story(one.id) for one in full_book.lots.search()]
    stocks = full_book.stocks.all(active_only=False)
    readings = full_book.references.readings("Bottle")
    assert readings[1].stored_name and readings[1].original_name == "Foto 苦.jpg"
    full_book.close()
    # as another program lays it out
    sent = text if "://" in location else json.dumps(json.loads(text), indent=1)
    with open_book(second_location()) as second:
        assert second.archive.import_json(io.StringIO(sent)) == len(rows)
        assert export_rows(second) == rows
        assert [second.lots.story(one.id) for one in second.lots.search()] == lots
        assert second.stocks.all(active_only=False) == stocks
        assert second.references.readings("Bottle") == readings
        assert second.lots.begin("next", 1, "red").id > lots[0].lot.id  # ids go on where they were
        with pytest.raises(BookError, match="not empty"):
            second.archive.import_json(io.StringIO(text))


@pytest.mark.both_databases
def test_a_damaged_export_is_refused_whole(full_book, second_location):
    text = export_text(full_book)
    lines = text.splitlines(keepends=True)
    row = next(line for line in lines if '"lots"' in line)
    bad = {
        "cut off": "".join(lines[:-1]),
        "cut off in a line": text[: len(text) // 2],
        "a row gone": "".join(lines[:3] + lines[4:]),
        "a text for a number": text.replace('"volume_ml": 900.0', '"volume_ml": "900"'),
        "nan": text.replace('"volume_ml": 900.0', '"volume_ml": NaN'),
        "a time that is none": text.replace(row, row.replace('"created_at": "2', '"created_at": "O')),
        "a stranger": text.replace('["lots"', '["pots"'),
        "one column too many": text.replace(row, row.replace('{"id"', '{"evil": 1, "id"')),
        "a pointer to nothing": text.replace('"lot_id": 1,', '"lot_id": 77,'),
        "newer": text.replace('"version": "', '"version": "9'),
        "no export": '{"hello": 1}',
        "no json": "hello",
        "empty": "",
        "a list": "[1, 2]",
    }
    picture = io.TextIOWrapper(io.BytesIO(b"\xff\xfe\x00picture"), encoding="utf-8")
    full_book.close()
    with open_book(second_location()) as second:
        with pytest.raises(InputError, match="no export"):
            second.archive.import_json(picture)
        for what, content in bad.items():
            assert content != text, what
            with pytest.raises(InputError) as caught:
                second.archive.import_json(io.StringIO(content))
            assert caught.value.text.endswith("."), what
            assert second.lots.count() == 0 and second.stocks.all() == [], what


def read_csv(book: LotBook, rows: str) -> list[dict[str, str]]:
    stream = io.StringIO(newline="")
    count = book.archive.export_csv(stream, rows)
    stream.seek(0)
    found = list(csv.DictReader(stream))
    assert len(found) == count
    return found


def test_lots_as_a_table_end_where_they_ended(full_book):
    first, second = read_csv(full_book, "lots")
    assert tuple(first) == LOT_COLUMNS
    assert first["lot_label"] == f"L{first['lot_id']}"  # a lot without a number of its own
    told = [first[name] for name in ("additions", "photos", "outcome", "ceiling_mg_per_l")]
    assert told == ["1", "1", "matched", "55"]
    assert float(first["added_ml"]) == pytest.approx(13 * 1.93 / 40)
    assert float(first["volume_now_ml"]) == pytest.approx(910 + 13 * 1.93 / 40)
    assert (first["delta_e_2000"], first["dose"]) == ("1.25", "red 0.62725 ml")
    assert second["lot_name"].startswith("'=cmd") and second["notes"] == "'-1+2"
    assert (second["delta_e_2000"], second["closed_at_utc"]) == ("", "")
    lot = int(read_csv(full_book, "lots")[0]["lot_id"])
    full_book.lots.reopen(lot, "judged by all photos")
    full_book.lots.close(lot, "matched", "", Advice(now=Figure(1.5, 0.5, 2.0)))
    faded = {"delta_e_2000": {"value": 7.5, "low": 7, "high": 8}}
    full_book.photos.add(lot, faded, purpose="recheck")
    first = read_csv(full_book, "lots")[0]
    assert (first["delta_e_2000"], first["delta_e_2000_high"], first["photos"]) == ("1.25", "1.5", "2")
    assert [first[f"closing_delta_e_2000{end}"] for end in ("", "_low", "_high")] == ["1.5", "0.5", "2"]
    assert second["closing_delta_e_2000"] == ""
    seen = [row["delta_e_2000"] for row in read_csv(full_book, "entries") if row["photo_purpose"]]
    assert seen == ["1.25", "7.5"]


def test_entries_as_a_table_without_formulas(full_book):
    rows = read_csv(full_book, "entries")
    assert tuple(rows[0]) == ENTRY_COLUMNS
    assert rows[0]["lot_label"] == f"L{rows[0]['lot_id']}"
    doses = [row for row in rows if row["kind"] == "addition"]
    assert [(row["quantity"], row["counts"]) for row in doses] == [("12", "no"), ("13", "yes")]
    assert doses[1]["replaces_entry_id"] == doses[0]["entry_id"]
    assert next(row["text"] for row in rows if row["kind"] == "note") == 'two\nlines, "quoted" 苦'
    with pytest.raises(ValueError, match="rows must be one of"):
        full_book.archive.export_csv(io.StringIO(), "others")
    for sign in "=+-@\t\r\n":
        assert make_harmless(sign + "1+1") == "'" + sign + "1+1"
        assert make_harmless("a" + sign) == "a" + sign
    assert make_harmless(-1.5) == "-1.5"


def test_older_exports_are_read_without_what_they_do_not_have(book, lot, jpeg, second_location):
    reference = book.references.add("Bottle").id
    book.references.add_reading(reference, (61, 41, 31), depth_mm=10, photo=jpeg)
    book.lots.close(lot, "matched")
    document = json.loads(export_text(book)) | {"version": "0002"}
    for name, row in document["rows"]:
        for later in ("original_sha256", "stored_name", "original_name", "taken_at", "reopened_before"):
            if name in ("reference_readings", "closings"):
                row.pop(later, None)
    book.close()
    with open_book(second_location()) as second:
        second.archive.import_json(io.StringIO(json.dumps(document)))
        assert [one.stored_name for one in second.references.readings("Bottle")] == [None]
        assert second.lots.get(lot).closed
        assert not second.lots.get(second.lots.reopen(lot, "x").lot_id).closed
