"""The migrations lead to the tables of tables.py, keep what is there, and the guards hold."""

import base64
import hashlib
import io
import json
import re
import sqlite3
import subprocess
import sys
import zipfile
import zlib
from contextlib import closing
from pathlib import Path

import pytest
from alembic.migration import MigrationContext
from alembic.operations import Operations
from first_book import build_first_book
from raw_books import export_text, write_file, write_raw
from sqlalchemy import Connection, inspect, text
from sqlalchemy.exc import DBAPIError

from colourmatch.book import migrate, opening, tables
from colourmatch.book.lot_book import open_book
from colourmatch.book.packing import pack
from colourmatch.book.restoring import restore_book
from colourmatch.errors import BookError

pytestmark = pytest.mark.both_databases


def make_older(location: str, version: str = "0001") -> None:
    with write_raw(location) as connection:
        with Operations.context(MigrationContext.configure(connection)):
            build_first_book()
        migrate.upgrade(connection, version)


def describe(location: str) -> dict[str, object]:
    """Columns, keys, indexes and guards of a database, in an order of their own."""
    engine = opening.make_engine(opening.parse_location(location))
    found: dict[str, object] = {}
    with engine.connect() as connection:
        eye = inspect(connection)
        for name in eye.get_table_names():
            found[name] = (
                [(c["name"], str(c["type"]), c["nullable"]) for c in eye.get_columns(name)],
                [] if name == "alembic_version" else eye.get_pk_constraint(name),
                sorted(str(key) for key in eye.get_foreign_keys(name)),
                sorted(str(index) for index in eye.get_indexes(name)),
                sorted(str(unique["column_names"]) for unique in eye.get_unique_constraints(name)),
            )
        query = {
            "sqlite": "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' ORDER BY name",
            "postgresql": "SELECT tgname, pg_get_triggerdef(oid) FROM pg_trigger "
            "WHERE NOT tgisinternal ORDER BY tgname",
        }[engine.dialect.name]
        found["guards"] = [tuple(row) for row in connection.exec_driver_sql(query)]
        found["version"] = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    engine.dispose()
    return found


def test_a_migrated_book_is_built_like_a_fresh_one(location, second_location):
    make_older(location)
    open_book(location).close()
    migrated = describe(location)
    fresh = second_location()
    open_book(fresh).close()
    assert describe(fresh) == migrated
    assert migrated["version"] == tables.VERSION
    assert len(migrated["guards"]) >= len(tables.HISTORY)


def test_an_older_book_is_copied_beside_before_it_is_migrated(tmp_path):
    path = tmp_path / "b.sqlite"
    make_older(str(path))
    with write_file(path) as older:
        older.execute(
            "INSERT INTO stocks VALUES (1, '2026-01-01T00:00:00.000000+00:00', NULL, NULL, 'red', 'red', "
            "'E129', 1.0, 0.05, 'water', 0.2, 0.15, 1.0, '', NULL)"
        )
    with open_book(path) as book:
        assert book.stocks.get("red").colourant == "E129"
        lot = book.lots.begin("A", 900, "red").id
        assert book.lots.amend(lot, "x", volume_ml=950).changes == {"volume_ml": 950.0}
    copies = [file for file in tmp_path.iterdir() if re.search(r"\.before-0001-\d{8}T\d{6}$", file.name)]
    assert len(copies) == 1
    with write_file(copies[0]) as copy:
        assert copy.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)
        assert copy.execute("SELECT name FROM stocks").fetchone() == ("red",)


OLD_READING = (
    "INSERT INTO reference_readings (id, created_at, reference_id, lab_l, lab_a, lab_b, depth_mm, dilution, "
    "photo_sha256) VALUES (1, '2026-01-01T00:00:00.000000+00:00', 1, 60, 40, 30, 10, 1, 'abc')"
)
OLD_REFERENCE = (
    'INSERT INTO "references" (id, created_at, name, name_key, notes) '
    "VALUES (1, '2026-01-01T00:00:00.000000+00:00', 'Bottle', 'bottle', '')"
)


def test_readings_from_before_their_photos_were_kept_stay(location):
    make_older(location, "0002")
    with write_raw(location) as connection:
        for statement in (OLD_REFERENCE, OLD_READING):
            connection.exec_driver_sql(statement)
    with open_book(location) as book:
        (old,) = book.references.readings("Bottle")
        assert (old.lab, old.photo_sha256, old.stored_name, old.original_sha256) == (
            (60, 40, 30), "abc", None, None,
        )  # fmt: skip
        assert book.archive.check() == []


def test_a_backup_of_an_older_book_is_put_back_and_migrated(tmp_path):
    path = tmp_path / "b.sqlite"
    make_older(str(path), "0002")
    with write_file(path) as older:
        older.execute(OLD_REFERENCE)
        older.execute(OLD_READING)
    found = hashlib.sha256(path.read_bytes()).hexdigest()
    manifest = {"format": "colourmatch-backup", "version": "0002", "database": "book.sqlite"}
    manifest["database_sha256"] = found
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as archive:
        archive.writestr("manifest.json", json.dumps(manifest))
        archive.write(path, "book.sqlite")
    with restore_book(tmp_path / "b.zip", tmp_path / "new" / "b.sqlite") as book:
        assert book.references.readings("Bottle")[0].lab == (60, 40, 30) and book.archive.check() == []


def test_a_migration_that_fails_halfway_adds_no_column(location):
    make_older(location, "0002")
    with write_raw(location) as connection:  # the last column that the migration will add
        connection.exec_driver_sql("ALTER TABLE reference_readings ADD COLUMN taken_at TEXT")
    before = describe(location)
    with pytest.raises((DBAPIError, BookError)):
        open_book(location)
    assert describe(location) == before


def test_nothing_can_be_changed_or_deleted(book, lot):
    kind = book.database.engine.dialect.name
    for table in tables.HISTORY:
        column = next(iter(table.c)).name
        statements = [f'UPDATE "{table.name}" SET {column} = {column}', f'DELETE FROM "{table.name}"']
        if kind == "postgresql":
            statements.append(f'TRUNCATE "{table.name}" CASCADE')
        with book.database.read() as connection:
            if kind == "sqlite" and not connection.exec_driver_sql(f'SELECT 1 FROM "{table.name}"').first():
                continue  # SQLite's guards watch rows
        for statement in statements:
            engine = book.database.engine
            with pytest.raises(DBAPIError, match="append-only"), opening.write(engine) as connection:
                connection.exec_driver_sql(statement)


def test_several_may_open_an_older_book_at_once(location):
    make_older(location)
    code = "import sys; from colourmatch.book.lot_book import open_book; open_book(sys.argv[1]).close()"
    root = Path(__file__).parents[2]
    command = [sys.executable, "-c", code, location]
    started = [subprocess.Popen(command, cwd=root) for _ in range(3)]
    assert [process.wait(600) for process in started] == [0, 0, 0]
    with open_book(location) as book:
        assert book.archive.check() == []


def insert_lot(older: Connection, kinds: list[str], *rows: str) -> None:
    """Lot 1 in the tables of an older version, an entry of each kind, and the rows of these entries."""
    at = "2026-01-01T00:00:00.000000+00:00"
    head = "id, created_at, name, name_key, volume_ml, depth_mm, dilution, tolerance, already_mg_per_l, notes"
    entries = ", ".join(f"({k}, '{at}', 1, '{kind}')" for k, kind in enumerate(kinds, 1))
    for statement in (
        f"INSERT INTO lots ({head}) VALUES (1, '{at}', 'A', 'a', 900, 10, 1, 1, 4, '')",
        f"INSERT INTO lot_entries (id, created_at, lot_id, kind) VALUES {entries}",
        *rows,
    ):
        older.execute(text(statement.replace(":", r"\:")))
    if older.dialect.name == "postgresql":
        older.exec_driver_sql(f"SELECT setval(pg_get_serial_sequence('lot_entries', 'id'), {len(kinds)})")


def test_lots_closed_in_an_older_book_stay_closed_and_can_be_opened_again(location):
    make_older(location, "0007")
    with write_raw(location) as older:
        insert_lot(
            older, ["closing"],
            "INSERT INTO closings (entry_id, lot_id, outcome, text) VALUES (1, 1, 'matched', 'done')",
        )  # fmt: skip
    with open_book(location) as book:
        closing = book.lots.story(1).closing
        assert closing is not None and (closing.outcome, closing.text) == ("matched", "done")
        assert book.lots.reopen(1, "after all").closing_entry_id == 1
        assert book.lots.close(1, "nearest").reopened_before == 1
        assert book.archive.check() == []


MEASURED = '{"photo": "a.jpg", "levels": [0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2]}'


def fill_older(location: str) -> tuple[str, int]:
    """A book of 0010 with long texts as they are, and in letters; the last hash of its lot, the lot."""
    make_older(location, "0009")
    letters = "z1:" + base64.b64encode(zlib.compress(MEASURED.encode(), 9)).decode()
    with write_raw(location) as older:
        insert_lot(
            older, ["photo", "photo"],
            f"INSERT INTO photos (entry_id, lot_id, purpose, measurement) VALUES (1, 1, 'match', '{MEASURED}')",
            "INSERT INTO photos (entry_id, lot_id, purpose, measurement, advice) "
            f"VALUES (2, 1, 'match', '{letters}', '{letters}')",
        )  # fmt: skip
        migrate.upgrade(older, "0010")
        last = older.execute(text("SELECT sha256 FROM seals WHERE row_id = 2 AND lot_id = 1")).scalar()
    return str(last), 1


def test_texts_of_older_books_are_packed_and_their_chains_and_printed_hashes_hold(location, tmp_path):
    printed, lot = fill_older(location)
    with open_book(location) as book:
        first, second = book.lots.story(lot).photos
        assert first.measurement.to_json() == second.measurement.to_json()
        assert second.advice.to_json() == json.loads(MEASURED)
        with book.database.read() as connection:
            query = text("SELECT measurement FROM photos UNION ALL SELECT advice FROM photos")
            stored = [bytes(value) for value in connection.scalars(query) if value is not None]
        assert stored == [pack(MEASURED)] * 3
        assert book.archive.check() == [] and book.archive.find_hash(printed) == (lot, 2)
        book.entries.add_note(lot, "and on")
        assert book.archive.check() == [] and book.lots.last_hash(lot) != printed
        whole = export_text(book)
    with open_book(tmp_path / "other.sqlite") as other:
        other.archive.import_json(io.StringIO(whole))
        assert other.archive.check() == [] and other.archive.find_hash(printed) == (lot, 2)


def test_what_was_altered_before_a_book_was_brought_up_to_date_is_still_told(location):
    fill_older(location)
    with write_raw(location) as older:
        for statement in tables.unguard_statements(older.dialect.name, "photos"):
            older.exec_driver_sql(statement)
        older.execute(text("UPDATE photos SET advice = NULL WHERE entry_id = 2"))
        for statement in tables.guard_statements(older.dialect.name, ("photos",)):
            older.exec_driver_sql(statement)
    with open_book(location) as book:
        (finding,) = book.archive.check()
        assert finding.code == "altered" and "entry 2" in finding.text


def test_an_older_book_that_others_have_open_is_brought_up_to_date_as_large_as_it_is(tmp_path):
    path = tmp_path / "b.sqlite"
    fill_older(str(path))
    with sqlite3.connect(path) as other:
        other.execute("BEGIN")
        assert other.execute("SELECT count(*) FROM photos").fetchone() == (2,)
        with open_book(path) as book:
            assert book.archive.check() == [] and len(book.lots.story(1).photos) == 2
    other.close()


def test_a_book_that_a_newer_program_took_further_meanwhile_is_refused_and_left(tmp_path):
    path = tmp_path / "lots.sqlite"
    open_book(path).close()
    with write_file(path) as raw:
        raw.execute("UPDATE alembic_version SET version_num = '0010'")
    with closing(sqlite3.connect(path)) as raw, pytest.MonkeyPatch.context() as patch:

        def come_first(place: Path, found: str) -> None:
            with raw:
                raw.execute("UPDATE alembic_version SET version_num = '9999'")

        patch.setattr(opening, "_copy_beside", come_first)
        with pytest.raises(BookError, match="9999"):
            open_book(path)
        assert raw.execute("SELECT version_num FROM alembic_version").fetchall() == [("9999",)]
