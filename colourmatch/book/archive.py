"""Backs a lot book up into one archive while it is in use, and checks a book; it knows no lots.
The archive is a .zip: manifest.json, photos/ab/abcd....jpg, book.sqlite or, of a server, book.json.
"""

from __future__ import annotations

import io
import json
import re
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TextIO

from sqlalchemy import Connection, func, select
from sqlalchemy.exc import IntegrityError

from colourmatch.book import export, seals
from colourmatch.book import tables as t
from colourmatch.book.checks import utc_text
from colourmatch.book.entries import LotStory, MovedEntry
from colourmatch.book.naming import find_doubles
from colourmatch.book.opening import speaking, write
from colourmatch.book.photo_store import PhotoStore, hash_stream, is_content_of
from colourmatch.book.rows import iterate_stories, may_contradict
from colourmatch.book.transactions import Database, Part, reads
from colourmatch.errors import BookError, InputError
from colourmatch.files import (
    NO_ROOM,
    clear_left_over,
    name_partial,
    read_plain_file,
    replace_whole,
    what_to_do,
)

FORMAT = "colourmatch-backup"
PHOTO_NAME = re.compile(r"photos/([0-9a-f]{2})/((\1[0-9a-f]{62})\.(?:jpg|png|heic|tif|dng))")
#: Clocks of several stations differ by less than this.
_CLOCK_SLACK = timedelta(minutes=10)
_PUT_BACK = "If the file is still on the phone, add it to its lot again; else restore it from the last backup."
#: Every stored file that any table names, each once.
_NAMED = " UNION ".join(
    f'SELECT stored_name FROM "{table.name}" WHERE stored_name IS NOT NULL'
    for table in t.HISTORY
    if "stored_name" in table.c
)


@dataclass(frozen=True)
class BackupReport:
    """What went into an archive; `missing` are photos that the book names and the folder has not, `damaged` changed ones."""

    path: Path
    photos: int
    missing: tuple[str, ...]
    damaged: tuple[str, ...] = ()


@dataclass(frozen=True)
class Finding:
    """Something wrong with a book: code, and a sentence that says what and what to do."""

    code: str
    text: str


class Archive(Part):
    """The whole of an open book: copied out and in, and checked."""

    export_json, export_csv = reads(export.export_json), reads(export.export_csv)
    find_hash = reads(seals.find_hash)

    def import_json(self, stream: TextIO) -> int:
        """Read an export into this book, which must be empty; all of it or nothing."""
        try:
            with speaking(self._database.place), write(self._database.engine) as connection:
                return export.import_json(connection, stream)
        except IntegrityError:
            raise InputError(export.CUT_OFF) from None

    def backup(self, path: Path | str) -> BackupReport:
        """Write the database and all photos into one .zip, while the book is in use.

        It appears under its name only when it is whole. BookError when there is no room or no right to write.
        """
        with speaking(self._database.place):
            return _backup(self._database, self._store, Path(path))

    def check(self) -> list[Finding]:
        """What is wrong with the book and its photos; an empty list when all is well."""
        with self._database.read() as connection:
            found, named = [*_check_rows(connection)], set(_photo_names(connection))
        return [*found, *_check_photos(named, self._store)]  # nobody waits for a lock while photos are read


def _backup(source: Database, store: PhotoStore, path: Path) -> BackupReport:
    """Photos are stored before they are named and never change: of a database copied first all are there."""
    try:
        if path.exists() and not path.is_file():  # a device or a folder would be put away for it
            raise BookError(f"{path} is no file. Give another path for the backup, such as lots-backup.zip.")
        path.parent.mkdir(parents=True, exist_ok=True)
        clear_left_over(path.parent)
        with tempfile.TemporaryDirectory(prefix=name_partial("backup"), dir=path.parent) as folder:
            database, names = _copy_database(source, Path(folder))
            missing = tuple(name for name in names if not store.path(name).is_file())
            with replace_whole(path) as stream, zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as archive:
                archive.write(database, database.name, zipfile.ZIP_DEFLATED)
                sizes = {name: _pack(archive, store, name) for name in names if name not in missing}
                damaged = tuple(name for name, size in sizes.items() if size is None)
                packed = {name: size for name, size in sizes.items() if size is not None}
                with database.open("rb") as content:
                    digest = hash_stream(content)
                manifest = {
                    "format": FORMAT, "version": t.VERSION, "made_at": utc_text(), "database": database.name,
                    "database_sha256": digest, "database_bytes": database.stat().st_size,
                    "photos": len(packed), "files": packed, "missing": missing, "damaged": damaged,
                }  # fmt: skip
                archive.writestr("manifest.json", json.dumps(manifest, indent=1))
    except (OSError, sqlite3.OperationalError) as error:
        if not isinstance(error, OSError) and "full" not in str(error):
            raise
        why, mend = "No space left for it", "Make room, or give another path."
        if isinstance(error, OSError):
            why, mend = str(error.strerror or error), what_to_do(error, "Give another path.")
        raise BookError(f"The backup {path} cannot be written: {why}. {mend}") from None
    return BackupReport(path, len(packed), missing, damaged)


def _pack(archive: zipfile.ZipFile, store: PhotoStore, name: str) -> int | None:
    """Put a photo into the archive; its size, None for one that is not what its name says and stays out."""
    try:
        content = read_plain_file(store.path(name))
    except OSError as error:
        if error.errno in NO_ROOM:
            raise
        return None
    if not is_content_of(name, io.BytesIO(content)):
        return None
    archive.writestr(f"photos/{name[:2]}/{name}", content)
    return len(content)


def _copy_database(source: Database, folder: Path) -> tuple[Path, list[str]]:
    """A copy of the database as it is at one moment, and the photos that this copy names."""
    if source.engine.dialect.name != "sqlite":
        path = folder / "book.json"
        with path.open("w", encoding="utf-8") as stream, source.read() as connection:
            export.export_json(connection, stream)
            return path, _photo_names(connection)
    path = folder / "book.sqlite"
    raw = source.engine.raw_connection()
    try:
        with closing(sqlite3.connect(path)) as target:
            raw.driver_connection.backup(target)  # type: ignore[union-attr]
            target.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
            names = sorted(name for (name,) in target.execute(_NAMED))
    finally:
        raw.close()
    return path, names


def _photo_names(connection: Connection) -> list[str]:
    return sorted(name for (name,) in connection.exec_driver_sql(_NAMED))


#: What a migration could not guard with foreign keys (tables.py).
_LOST_TRIALS = (
    "SELECT 'lots', trial_of FROM lots WHERE trial_of NOT IN (SELECT id FROM lots) "
    "UNION ALL SELECT 'volumes', trial_lot_id FROM volumes WHERE trial_lot_id NOT IN (SELECT id FROM lots)"
)


def _check_rows(connection: Connection) -> Iterator[Finding]:
    """Damage, what points nowhere, names that mean two lots, what was altered, lots that do not add up."""
    if connection.dialect.name == "sqlite":
        for (line,) in connection.exec_driver_sql("PRAGMA integrity_check"):
            if line != "ok":
                yield Finding("damaged", f"The database is damaged ({line}). Restore the last backup.")
        for name, row_id, other, _ in connection.exec_driver_sql("PRAGMA foreign_key_check"):
            yield Finding("orphan", f"Row {row_id} of {name} points to a row of {other} that is missing.")
    for name, lot_id in connection.exec_driver_sql(_LOST_TRIALS):
        yield Finding("orphan", f"A row of {name} names lot {lot_id} for a trial, and there is no such lot.")
    for called, meant in find_doubles(connection):
        listed = " and ".join(f"lot {lot_id} (its {how})" for lot_id, how in sorted(meant.items()))
        # one of the two is called otherwise: by a number before a name, the newest first
        other_id = max(meant, key=lambda one: (meant[one] == "number", meant[one] == "name", one))
        what = meant[other_id]
        mend = f"colourmatch lot correct L{other_id} --{what} NEW --reason 'two lots of one name'"
        yield Finding("one-name", f"{called!r} means {listed}. Give lot {other_id} another {what}: {mend}.")
    for found in seals.find_altered(connection):
        since = f"entry {found.row_id}" if found.table == "lot_entries" else "its beginning"
        what = f"Row {found.row_id} of {found.table} was altered"
        if found.lot_id is not None:
            what = f"Lot {found.lot_id} was altered from {since} on"
        todo = "Keep this file as it is, and restore the last backup in which it was not to a new path."
        yield Finding("altered", f"{what}. {todo}")
    yield from _check_stories(connection)
    yield from _check_clock(connection)


def _check_photos(named: set[str], store: PhotoStore) -> Iterator[Finding]:
    """Photos missing, changed, or not named in the book."""
    for name in sorted(named):
        path = store.path(name)
        if not path.is_file():
            yield Finding("missing-photo", f"The photo {name} is missing. {_PUT_BACK}")
        elif not store.holds(name):
            yield Finding("changed-photo", f"The photo {name} was changed. {_PUT_BACK}")
    for name in store.names():
        if name not in named:
            yield Finding("unnamed-photo", f"The photo {name} belongs to no entry. It may be deleted by hand.")


def _check_stories(connection: Connection) -> Iterator[Finding]:
    """Lots whose entries contradict each other; none after one that cannot be read, which was altered as the hashes say."""
    try:
        for story in iterate_stories(connection, only=may_contradict()):
            yield from _check_moves(story)
            try:
                story.state()
            except InputError as error:
                yield Finding("contradiction", f"Lot {story.lot.id} does not add up: {error}")
    except (KeyError, TypeError, ValueError, AttributeError):
        yield Finding("damaged", "A lot holds entries that cannot be read. Restore the last backup.")


def _check_moves(story: LotStory) -> Iterator[Finding]:
    """Times put right that are of no entry of their lot, or from before its beginning."""
    known = {entry.id for entry in story.events}
    for entry in story.all(MovedEntry):
        if entry.moved_entry_id not in known:
            yield Finding(
                "orphan",
                f"Entry {entry.id} of lot {story.lot.id} is about entry {entry.moved_entry_id}, which is none of that lot.",
            )
        elif entry.moved_to < story.lot.created_at:
            yield Finding(
                "contradiction",
                f"Entry {entry.id} puts entry {entry.moved_entry_id} before lot {story.lot.id} was begun. Put its time right: "
                f"colourmatch lot correct {story.lot.id} {entry.moved_entry_id} --at TIME --reason WHY.",
            )


def _check_clock(connection: Connection) -> Iterator[Finding]:
    """The last thing entered is from the future: a clock was wrong then and no right entry followed."""
    entries = t.lot_entries.c
    newest = connection.execute(select(t.lot_entries).order_by(entries.id.desc()).limit(1)).first()
    if newest is None or newest.created_at <= utc_text(datetime.now(UTC) + _CLOCK_SLACK):
        return
    earlier = select(func.max(entries.created_at)).where(entries.lot_id == newest.lot_id)
    if newest.created_at != connection.scalar(earlier.where(entries.id < newest.id)):
        yield Finding(
            "clock",
            f"The newest entry bears the time {newest.created_at}, which is still to come. Set the clock of this machine "
            "right; if it is right, another one was wrong, and the next entry ends this. The order is kept either way.",
        )
