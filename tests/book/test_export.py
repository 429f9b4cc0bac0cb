"""Exports, and an export read back into an empty book."""

import csv
import io
import json

import pytest
from raw_books import export_rows, export_text

from colourmatch.book.calibrations import CARD
from colourmatch.book.export import ENTRY_COLUMNS, LOT_COLUMNS, make_harmless
from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.book.tables import HISTORY
from colourmatch.errors import BookError, InputError


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
    faded = {"delta_e_2000": {"value": 7.5, "low": 7, "high": 8}}
    full_book.photos.add(lot, faded, purpose="recheck")
    first = read_csv(full_book, "lots")[0]
    assert (first["delta_e_2000"], first["delta_e_2000_high"], first["photos"]) == ("1.25", "1.5", "2")
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
