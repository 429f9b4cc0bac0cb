"""Puts a backup back where there is no book yet; it takes nothing from an archive that it has not checked."""

from __future__ import annotations

import errno
import hashlib
import json
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TextIO

from colourmatch.book import tables as t
from colourmatch.book.archive import FORMAT, LARGEST_PHOTO, PHOTO_NAME, hash_file
from colourmatch.book.lot_book import LotBook, find_photo_folder, open_book
from colourmatch.book.opening import book_path, parse_location
from colourmatch.book.photo_store import PhotoStore
from colourmatch.errors import BookError
from colourmatch.writing import replace_whole


def restore_book(
    archive: Path | str, location: str | Path, *, environ: Mapping[str, str] | None = None
) -> LotBook:
    """Put a backup back at a location where there is no book yet, and open it.

    BookError when the archive is damaged or the place is taken; no book is left there then.
    """
    url = parse_location(str(location))
    target = book_path(url)
    if target is not None:
        # A log of a book that is gone would be taken for the restored one's.
        for taken in (target, *(target.with_name(target.name + end) for end in ("-wal", "-journal"))):
            if taken.exists():
                raise BookError(f"{taken} is there already. Give a new path to restore the backup to.")
    with _open_archive(Path(archive)) as (packed, manifest), tempfile.TemporaryDirectory() as folder:
        database = _unpack_database(packed, manifest, Path(folder))
        _check_photos(packed)
        # Photos first, as when they are added: a book never names a photo that is not there.
        store = PhotoStore(find_photo_folder(url, environ))
        for name, content in _photos_in(packed):
            store.restore(name, content)
        _place_database(database, location, target, environ)
    try:
        return open_book(location, environ=environ)
    except BaseException:
        if target is not None:  # it was not there before, and what was put there is no book
            for end in ("", "-wal", "-shm", "-journal"):
                target.with_name(target.name + end).unlink(missing_ok=True)
        raise


@contextmanager
def _open_archive(path: Path) -> Iterator[tuple[zipfile.ZipFile, dict[str, Any]]]:
    try:
        with zipfile.ZipFile(path) as packed:
            manifest = json.loads(packed.read("manifest.json"))
            if not isinstance(manifest, dict) or manifest.get("format") != FORMAT:
                raise BookError(f"{path} is no backup of a lot book. Give the .zip that the backup wrote.")
            if str(manifest.get("version")) > t.VERSION:
                raise BookError(f"{path} is of version {manifest.get('version')}. Update colourmatch.")
            yield packed, manifest
    except (
        zipfile.BadZipFile,
        zlib.error,
        NotImplementedError,
        RuntimeError,
        KeyError,
        ValueError,
        EOFError,
    ) as error:
        raise BookError(f"The backup {path} is damaged ({str(error)[:200]}). Take an earlier one.") from None
    except OSError as error:
        if error.errno == errno.ENOSPC:
            raise BookError(
                f"The backup {path} cannot be unpacked: {error.strerror}. Make room in {tempfile.gettempdir()}, then "
                "restore it again."
            ) from None
        raise BookError(
            f"The backup {path} cannot be read: {error.strerror or error}. Check the path, or take another backup."
        ) from None


def _unpack_database(packed: zipfile.ZipFile, manifest: dict[str, Any], folder: Path) -> Path:
    name = manifest["database"]
    if name not in ("book.sqlite", "book.json"):
        raise ValueError("no database in it")
    path = Path(packed.extract(name, folder))
    if hash_file(path) != manifest.get("database_sha256"):
        raise ValueError("the database in it was changed")
    return path


def _check_photos(packed: zipfile.ZipFile) -> None:
    """Read every photo once before anything is placed: a damaged archive must leave no half book."""
    for name, content in _photos_in(packed):
        if hashlib.sha256(content).hexdigest() != name.split(".")[0]:
            raise ValueError(f"photo {name} was changed")


def _photos_in(packed: zipfile.ZipFile) -> Iterator[tuple[str, bytes]]:
    for info in packed.infolist():
        if info.filename in ("manifest.json", "book.sqlite", "book.json"):
            continue
        named = PHOTO_NAME.fullmatch(info.filename)
        if named is None or info.file_size > LARGEST_PHOTO:
            raise ValueError(f"unexpected content {info.filename!r}")
        yield named.group(2), packed.read(info)


def _place_database(
    database: Path, location: str | Path, target: Path | None, environ: Mapping[str, str] | None
) -> None:
    if target is not None and database.suffix == ".sqlite":
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with replace_whole(target) as stream, database.open("rb") as source:
                shutil.copyfileobj(source, stream)
        except OSError as error:
            raise BookError(
                f"The book {target} cannot be written: {error.strerror or error}. Make room there or give another path, "
                "then restore the backup again."
            ) from None
        return
    try:
        with open_book(location, environ=environ) as book, _as_export(database) as stream:
            book.archive.import_json(stream)
    except BaseException:
        if target is not None:
            target.unlink(missing_ok=True)
        raise


@contextmanager
def _as_export(database: Path) -> Iterator[TextIO]:
    """The unpacked database as a JSON export, whichever of the two kinds it is."""
    if database.suffix == ".json":
        with database.open(encoding="utf-8") as stream:
            yield stream
        return
    with open_book(database, environ={}) as source, tempfile.TemporaryFile("w+", encoding="utf-8") as between:
        source.archive.export_json(between)
        between.seek(0)
        yield between
