"""How texts are packed, and that whatever is changed inside a book behind its back is found, from where on in a lot."""

import base64
import hashlib
import io
import json
import math
import random
import sqlite3
import zlib
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from raw_books import export_text, write_file
from sqlalchemy import text

from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.book.opening import write
from colourmatch.book.packing import hash_packed, lay_out, pack, unpack
from colourmatch.errors import ColourMatchError

#: Flips of one bit in the test, each from a seed of its own; tests/bench/bench_flips.py makes 200 that count.
FLIPS = 25


def fill(book: LotBook) -> int:
    """Two lots with entries of many kinds; the id of the first."""
    book.stocks.add("red", "E129", 1)
    first = book.lots.begin("First", 900, ["red"], notes="ours").id
    second = book.lots.begin("Second", 500, ["red"]).id
    for lot in (first, second):
        book.additions.add(lot, "red", drops=12)
        book.entries.add_note(lot, "a note that says something")
        book.photos.add(lot, {"photo": "a.jpg", "delta_e_2000": {"value": 3.25}}, {"action": "add"})
        book.volumes.take_sample(lot, 20)
        book.lots.close(lot, "matched")
    book.references.add_reading(book.references.add("Bottle").id, (60, 40, 30), depth_mm=10)
    return first


def alter(book: LotBook, statement: str) -> None:
    """Change rows behind the guards, as damage or another program would."""
    with write(book.database.engine) as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SET LOCAL session_replication_role = replica"))
        else:
            guards = connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'trigger'")
            for (name,) in guards.all():
                connection.exec_driver_sql(f'DROP TRIGGER "{name}"')
        connection.execute(text(statement))


def found(book: LotBook) -> list[str]:
    return [finding.text for finding in book.archive.check() if finding.code == "altered"]


@pytest.mark.both_databases
def test_a_book_as_it_was_written_holds_and_every_row_has_its_hash(book):
    fill(book)
    assert book.archive.check() == []
    with book.database.read() as connection:
        for name in ("lots", "lot_entries", "stocks", "references", "reference_readings", "stock_entries"):
            rows = set(connection.scalars(text(f'SELECT id FROM "{name}"')))
            sealed = set(connection.scalars(text(f"SELECT row_id FROM seals WHERE of_table = '{name}'")))
            assert rows == sealed and (rows or name == "stock_entries"), name


@pytest.mark.parametrize(
    ("statement", "since"),
    [
        ("UPDATE lots SET volume_ml = volume_ml + 1 WHERE id = {lot}", "its beginning"),
        ("UPDATE lots SET notes = 'theirs' WHERE id = {lot}", "its beginning"),
        ("DELETE FROM lot_stocks WHERE lot_id = {lot}", "its beginning"),
        ("UPDATE additions SET ml = ml * 2 WHERE entry_id = {first}", "entry {first}"),
        ("UPDATE lot_entries SET entered_by = 'another' WHERE id = {second}", "entry {second}"),
        ("UPDATE notes SET text = 'another' WHERE entry_id = {second}", "entry {second}"),
        ("UPDATE lot_entries SET kind = 'pHoto' WHERE id = {third}", "entry {third}"),
        ("UPDATE photos SET measurement = advice WHERE entry_id = {third}", "entry {third}"),
        ("DELETE FROM notes WHERE entry_id = {second}", "entry {second}"),
        ("UPDATE seals SET sha256 = 'x' WHERE of_table = 'lot_entries' AND row_id = {second}", "entry {second}"),
        ("DELETE FROM seals WHERE of_table = 'lot_entries' AND row_id = {second}", "entry {third}"),
        ("INSERT INTO lot_entries (id, created_at, lot_id, kind) VALUES (900, '2026', {lot}, 'note')", "entry 900"),
    ],
)  # fmt: skip
def test_what_is_altered_in_a_lot_is_told_from_where_on(book, statement, since):
    lot = fill(book)
    entries = [entry.id for entry in book.lots.story(lot).events]
    ids = {"lot": lot, "first": entries[0], "second": entries[1], "third": entries[2]}
    alter(book, statement.format(**ids))
    assert [f"Lot {lot} was altered from {since.format(**ids)} on" in text for text in found(book)] == [True]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE stocks SET strength_g_per_100ml = 2",
        "UPDATE reference_readings SET lab_a = 41",
        "DELETE FROM reference_readings",
        "UPDATE \"references\" SET notes = notes || 'x'",
    ],
)
def test_what_is_altered_outside_lots_is_told(book, statement):
    fill(book)
    alter(book, statement)
    assert len(found(book)) == 1


@pytest.mark.both_databases
def test_a_text_that_cannot_be_read_any_more_is_told_as_altered(book):
    lot = fill(book)
    third = book.lots.story(lot).events[2].id
    cut = {"postgresql": "substr(measurement, 1, 12)", "sqlite": "CAST(substr(measurement, 1, 12) AS BLOB)"}
    kind = book.database.engine.dialect.name
    alter(book, f"UPDATE photos SET measurement = {cut[kind]} WHERE entry_id = {third}")
    assert [f"Lot {lot} was altered from entry {third} on" in text for text in found(book)] == [True]


def test_an_entry_made_after_does_not_hide_what_was_altered(book):
    lot = fill(book)
    second = book.lots.story(lot).events[1].id
    alter(book, f"UPDATE notes SET text = 'another' WHERE entry_id = {second}")
    book.entries.add_note(lot, "and on")
    assert len(found(book)) == 1


def test_the_last_hash_stands_for_the_lot_and_is_found_again(book):
    lot = fill(book)
    before = book.lots.last_hash(lot)
    last = book.lots.story(lot).events[-1].id
    assert len(before) == 64 and book.archive.find_hash(before) == (lot, last)
    book.entries.add_note(lot, "and on")
    assert book.lots.last_hash(lot) != before and book.archive.find_hash(f" {before.upper()} ") == (lot, last)
    assert book.archive.find_hash("0" * 64) is None


@pytest.mark.both_databases
def test_hashes_are_those_of_the_other_kind_of_database(book, tmp_path):
    lot = fill(book)
    with open_book(tmp_path / "other.sqlite") as other:
        other.archive.import_json(io.StringIO(export_text(book)))
        assert other.archive.check() == [] and other.lots.last_hash(lot) == book.lots.last_hash(lot)
        other.entries.add_note(lot, "and on")
        assert other.archive.check() == []


def export(path: Path) -> str | None:
    """All that is read of a book, None where it is refused."""
    try:
        with open_book(path) as book:
            rows = export_text(book).partition("\n")[2]
            return rows if not book.archive.check() else None
    except ColourMatchError:
        return None


def test_a_flipped_bit_that_changes_what_is_read_is_found_or_refused(tmp_path):
    path = tmp_path / "b.sqlite"
    with open_book(path) as book:
        fill(book)
    with closing(sqlite3.connect(path)) as rough:
        rough.execute("PRAGMA journal_mode = DELETE")
    whole, before = path.read_bytes(), export(path)
    assert before is not None
    for seed in range(FLIPS):
        rng, data = random.Random(seed), bytearray(whole)
        data[rng.randrange(100, len(data))] ^= 1 << rng.randrange(8)
        damaged = tmp_path / f"{seed}.sqlite"
        damaged.write_bytes(data)
        assert export(damaged) in (None, before), f"seed {seed}"


def test_damage_in_what_says_how_tables_are_built_is_said(tmp_path):
    path = tmp_path / "b.sqlite"
    with open_book(path) as book:
        fill(book)
    with write_file(path) as rough:
        rough.execute("PRAGMA writable_schema = ON")
        for key in ("lots (id)", "lots(id)"):
            other = key.replace("id", "ie")
            changes = f"sql = replace(sql, '{key}', '{other}')"
            rough.execute(f"UPDATE sqlite_master SET {changes} WHERE name = 'lot_entries'")
        changed = rough.execute("SELECT sql FROM sqlite_master WHERE name = 'lot_entries'").fetchone()[0]
    assert "ie)" in changed
    assert export(path) is None


OUTLINE = [[round(700 + 80 * math.cos(k / 6), 1), round(400 - 79 * math.sin(k / 6), 1)] for k in range(37)]
CURVE = [round(30 * math.exp(-k / 30), 3) for k in range(121)]
MEASURED = json.dumps({"photo": "a.jpg", "drawing": {"windows": {"batch": OUTLINE}}, "curve": CURVE})
#: The layouts of 0011: hashes of entries stand on them, and on paper.
LAID_OUT = {
    '{"a": [0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2]}': b's{"a": \x018,1;1,5,1\x01}\0' + bytes(6),
    '[1.5, 2.5, 3.5, 4.5, 5.5, 6.5, 7.5, 90.25]': b"s\x018,2;2,150,100\x01\0" + bytes(5) + b"\xde" + bytes(5) + b"\x3f",
    '{"a": 1}': b't{"a": 1}',
}  # fmt: skip
PACKED = "Anj5TXptTysheWzHEjEyAhpTqAUAqPwUVQ=="
decimals = st.decimals(-999, 999, places=3, allow_nan=False).map(float)
numbers = st.one_of(st.floats(allow_nan=False), decimals, st.integers())


@pytest.mark.parametrize("text", LAID_OUT)
def test_the_layout_is_the_one_that_hashes_stand_on(text):
    assert lay_out(text) == LAID_OUT[text]
    assert hash_packed(pack(text)) == hashlib.sha256(LAID_OUT[text]).hexdigest()


def test_series_that_change_little_take_little_room():
    assert unpack(pack(MEASURED)) == MEASURED
    assert len(pack(MEASURED)) * 2 < len(zlib.compress(MEASURED.encode(), 9))


@given(st.lists(st.one_of(numbers, st.lists(numbers, min_size=2, max_size=2)), min_size=6, max_size=40))
def test_any_series_comes_back(values):
    text = json.dumps({"curve": values, "again": values[::-1]})
    assert unpack(pack(text)) == text


@given(st.text())
@example("[" + ", ".join(["-0.0"] * 9) + "]")
@example("[" + ", ".join(["1.50"] * 9) + "]")
@example("[" + ", ".join(["0.000000001"] * 9) + "]")
@example("[" + ", ".join(["9" * 400 + ".5"] * 9) + "]")
@example("[" + ", ".join(["123456789.123456789"] * 9) + "]")
@example(f'"{chr(0)}{chr(1)}" {CURVE}')
@example('"\ud800"')
@example("")
def test_any_text_comes_back_though_it_only_looks_like_a_series(text):
    assert unpack(pack(text)) == text


def test_what_was_packed_before_and_what_older_books_hold_is_read():
    """The words that texts are deflated after are a part of every book that was written with them."""
    text = '{"action": "add", "reason": "step", "text": "Add 9 drops of red"}'
    assert unpack(base64.b64decode(PACKED)) == text
    older = "z1:" + base64.b64encode(zlib.compress(MEASURED.encode(), 9)).decode()
    for stored in (older, older.encode(), MEASURED, MEASURED.encode()):
        assert unpack(stored) == MEASURED and hash_packed(stored) == hash_packed(pack(MEASURED))


def test_damage_is_said_and_costs_nothing():
    whole = pack(MEASURED)
    for damaged in (whole[:-1], whole[:40], whole + b"x", b"\x02", whole[:60] + b"\xff" + whole[61:]):
        for read in (unpack, hash_packed):
            with pytest.raises(json.JSONDecodeError):
                read(damaged)


@pytest.mark.parametrize(
    "layout",
    [
        b"s\x018,99999999;1,5,1\x01\0" + bytes(8),
        b"s\x01999999999,1;1,5\x01\0" + bytes(8),
        b"s\x01-3,1;1,5\x01\0",
        b"s\x018,1;3,5\x01\0" + bytes(30),
        b"s\x018,1;" + b"1," * 100_000 + b"1\x01\0",
        b"s\x01x\x01\0",
    ],
)
def test_a_layout_that_nobody_wrote_is_refused(layout):
    deflating = zlib.compressobj(9)
    with pytest.raises(json.JSONDecodeError):
        unpack(b"\x02" + deflating.compress(layout) + deflating.flush())
