"""Puts a backup back where there is no book yet; it takes nothing from an archive that it has not checked.
What it may hold, and how large each part may be, its manifest says; it is compared before unpacking.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, BinaryIO, TextIO, cast

from colourmatch.book import tables as t
from colourmatch.book.archive import FORMAT, PHOTO_NAME
from colourmatch.book.lot_book import LotBook, find_photo_folder, open_book
from colourmatch.book.opening import book_path, parse_location
from colourmatch.book.photo_store import PhotoStore, hash_stream, is_content_of
from colourmatch.errors import BookError
from colourmatch.files import MAX_FILE_BYTES, replace_whole

#: A manifest names each photo in a hundred bytes; databases take some kilobytes an entry, and pack to a tenth.
_MOST_MANIFEST_BYTES, _MOST_DATABASE_BYTES = 50_000_000, 50_000_000_000
_MOST_PACKED, _SMALL_BYTES, _PART_BYTES = 200, 50_000_000, 1_000_000
#: What reading a damaged archive raises; NotImplementedError is a RuntimeError.
_DAMAGE = (zipfile.BadZipFile, zlib.error, RuntimeError, KeyError, ValueError, EOFError)


def restore_book(
    archive: Path | str,
    location: str | Path,
    *,
    leave_out: Callable[[str], None] | None = None,
) -> LotBook:
    """Put a backup back at a location where there is no book yet, and open it.

    leave_out: is told each photo that is damaged in the archive, and not put back; without it such an archive is refused.
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
        photos = _list_photos(packed, manifest)
        database = _unpack_database(packed, manifest, Path(folder))
        photos = _drop_damaged(packed, photos, leave_out)
        # Photos first, as when they are added: a book never names a photo that is not there.
        store = PhotoStore(find_photo_folder(url))
        for name, info in photos.items():
            store.restore(name, packed.read(info))
        _place_database(database, location, target)
    try:
        return open_book(location)
    except BaseException:
        if target is not None:  # it was not there before, and what was put there is no book
            for end in ("", "-wal", "-shm", "-journal"):
                target.with_name(target.name + end).unlink(missing_ok=True)
        raise


@contextmanager
def _open_archive(path: Path) -> Iterator[tuple[zipfile.ZipFile, dict[str, Any]]]:
    try:
        with zipfile.ZipFile(path) as packed:
            if packed.getinfo("manifest.json").file_size > _MOST_MANIFEST_BYTES:
                raise ValueError("its manifest is too large")
            manifest = json.loads(packed.read("manifest.json"))
            if not isinstance(manifest, dict) or manifest.get("format") != FORMAT:
                raise BookError(f"{path} is no backup of a lot book. Give the .zip that the backup wrote.")
            if str(manifest.get("version")) > t.VERSION:
                raise BookError(f"{path} is of version {manifest.get('version')}. Update colourmatch.")
            yield packed, manifest
    except _DAMAGE as error:
        raise BookError(f"The backup {path} is damaged ({str(error)[:200]}). Take an earlier one.") from None
    except OSError as error:
        what, mend = "read", "Check the path, or take another backup."
        if error.errno == errno.ENOSPC:
            what, mend = "unpacked", f"Make room in {tempfile.gettempdir()}, then restore it again."
        raise BookError(f"The backup {path} cannot be {what}: {error.strerror or error}. {mend}") from None


def _unpack_database(packed: zipfile.ZipFile, manifest: dict[str, Any], folder: Path) -> Path:
    name = manifest["database"]
    if name not in ("book.sqlite", "book.json"):
        raise ValueError("no database in it")
    if packed.getinfo(name).file_size > shutil.disk_usage(folder).free:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    path = folder / str(name)
    with packed.open(name) as stream, path.open("wb+") as out:
        shutil.copyfileobj(stream, out, _PART_BYTES)
        out.seek(0)
        if hash_stream(out) != manifest.get("database_sha256"):
            raise ValueError("the database in it was changed")
    return path


def _list_photos(packed: zipfile.ZipFile, manifest: dict[str, Any]) -> dict[str, zipfile.ZipInfo]:
    """The photos of an archive by their stored names; ValueError for anything that its manifest does not say."""
    sizes = manifest.get("files")
    photos: dict[str, zipfile.ZipInfo] = {}
    seen: set[str] = set()
    for info in packed.infolist():
        if info.filename in seen:
            raise ValueError(f"{info.filename!r} is in it twice")
        seen.add(info.filename)
        if info.filename == manifest["database"]:
            said = manifest.get("database_bytes", info.file_size)
            blown_up = info.file_size > max(_SMALL_BYTES, _MOST_PACKED * info.compress_size)
            if info.file_size != said or info.file_size > _MOST_DATABASE_BYTES or blown_up:
                raise ValueError("its database is larger than it says")
        elif info.filename != "manifest.json":
            named = PHOTO_NAME.fullmatch(info.filename)
            if named is None or (sizes is not None and named.group(2) not in sizes):
                raise ValueError(f"unexpected content {info.filename!r}")
            if info.file_size > MAX_FILE_BYTES or info.compress_type != zipfile.ZIP_STORED:
                raise ValueError(f"photo {named.group(2)} is too large")
            photos[named.group(2)] = info
    if len(photos) != manifest.get("photos", len(photos)) or len(seen) != len(photos) + 2:
        raise ValueError("it holds other photos than it says")
    return photos


def _drop_damaged(
    packed: zipfile.ZipFile, photos: dict[str, zipfile.ZipInfo], leave_out: Callable[[str], None] | None
) -> dict[str, zipfile.ZipInfo]:
    """Read every photo once before anything is placed: a damaged archive must leave no half book."""
    whole = {}
    for name, info in photos.items():
        with suppress(zipfile.BadZipFile, EOFError), packed.open(info) as stream:
            if is_content_of(name, cast(BinaryIO, stream)):
                whole[name] = info
    damaged = [name for name in photos if name not in whole]
    for name in damaged:
        if leave_out is None:
            raise BookError(
                f"{len(damaged)} of {len(photos)} photos in the backup {packed.filename} are damaged: {', '.join(damaged[:3])}. "
                "Take an earlier backup, or restore it without them, with --leave-out-damaged."
            )
        leave_out(name)
    return whole


def _place_database(database: Path, location: str | Path, target: Path | None) -> None:
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
        with open_book(location) as book, _as_export(database) as stream:
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
    with open_book(database) as source, tempfile.TemporaryFile("w+", encoding="utf-8") as between:
        source.archive.export_json(between)
        between.seek(0)
        yield between
