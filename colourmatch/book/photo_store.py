"""Keeps photo files by the hash of their content beside the book; it knows no colour and no lots."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from colourmatch.book.checks import check_text
from colourmatch.book.heif import is_dng
from colourmatch.book.position import strip_position
from colourmatch.errors import BookError, PhotoError
from colourmatch.files import clear_left_over, read_plain_file, replace_whole

#: Where a photo comes from: a file, or its bytes with its name.
Source = Path | str | tuple[bytes, str]

#: first bytes of a file -> its suffix
_KINDS: tuple[tuple[int, bytes, str], ...] = (
    (0, b"\xff\xd8\xff", ".jpg"),
    (0, b"\x89PNG\r\n\x1a\n", ".png"),
    (0, b"II*\0", ".tif"),
    (0, b"MM\0*", ".tif"),
    *((4, b"ftyp" + brand, ".heic") for brand in (b"heic", b"heix", b"mif1", b"msf1", b"hevc", b"heim")),
)


@dataclass(frozen=True)
class KeptPhoto:
    """A file in the store: the hash of what is stored, that of the file as it came, and its name."""

    sha256: str
    original_sha256: str
    name: str


def open_source(source: Source) -> tuple[bytes, str]:
    """The bytes of a photo and its name; PhotoError when they cannot be read."""
    if isinstance(source, tuple):
        return source
    path = Path(source)
    try:
        return read_plain_file(path), path.name
    except OSError as error:
        raise PhotoError(
            f"The photo {path} cannot be read: {error.strerror or error}. Check the path."
        ) from None


def hash_photo(photo: bytes) -> str:
    """SHA-256 of a photo as it came, in hexadecimal digits."""
    return hashlib.sha256(photo).hexdigest()


def hash_stream(stream: BinaryIO) -> str:
    """SHA-256 of what is left of a stream, in hexadecimal digits."""
    return hashlib.file_digest(stream, "sha256").hexdigest()  # type: ignore[arg-type]


def is_content_of(name: str, stream: BinaryIO) -> bool:
    """Whether a stream holds what the name of a stored file says."""
    return hash_stream(stream) == name.split(".")[0]


def find_suffix(data: bytes) -> str:
    """The suffix by the first bytes of a file, whatever its name says; PhotoError when it is no photo."""
    for start, magic, suffix in _KINDS:
        if data[start : start + len(magic)] == magic:
            return ".dng" if suffix == ".tif" and is_dng(data) else suffix
    raise PhotoError(
        "That file is no JPEG, HEIC, PNG, TIFF or DNG. Give the photo as it came from the phone."
    )


class PhotoStore:
    """A folder of photos, ab/abcd....jpg; a file once kept is never changed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, name: str) -> Path:
        """Where a stored name lies, whether it is there or not."""
        if Path(name).name != name:
            raise ValueError(f"a stored name has no folder, got {name!r}")
        return self.folder / name[:2] / name

    def keep(self, photo: bytes) -> KeptPhoto:
        """Store a photo without what is personal; the same photo again is stored once."""
        if not photo:
            raise PhotoError("The photo is empty. Copy it from the phone again.")
        stripped, suffix = strip_position(photo, find_suffix(photo))
        sha256 = hash_photo(stripped)
        self._put(self.path(sha256 + suffix), stripped)
        return KeptPhoto(sha256, hash_photo(photo), sha256 + suffix)

    def keep_named(self, photo: bytes | KeptPhoto | None, name: str | None) -> dict[str, Any]:
        """What an entry says of a photo's file, which is stored unless it was; `name` is that of the file as it came."""
        kept = photo if photo is None or isinstance(photo, KeptPhoto) else self.keep(photo)
        return {
            "sha256": kept and kept.sha256,
            "original_sha256": kept and kept.original_sha256,
            "stored_name": kept and kept.name,
            "original_name": None if name is None else check_text(name, "file name")[:255],
        }

    def names(self) -> Iterator[str]:
        """The names of all stored files, in order; half-written ones are left out."""
        for folder in sorted(self.folder.glob("??")):
            yield from sorted(file.name for file in folder.iterdir() if not file.name.startswith("."))

    def clear_left_over(self) -> int:
        """Take away the pieces of photos whose keeping was killed; how many."""
        return sum(clear_left_over(folder) for folder in self.folder.glob("??"))

    def restore(self, name: str, data: bytes) -> None:
        """Put back a stored file from a backup; ValueError when its name is not that of its content."""
        if not is_content_of(name, io.BytesIO(data)):
            raise ValueError(f"the content of {name} is not what its name says")
        self._put(self.path(name), data, "restore the backup again")

    def put_back(self, name: str | None, photo: bytes) -> bool:
        """Store an entry's file again where it is missing or changed and `photo` is it; BookError."""
        if name is None or self.holds(name):
            return False
        suffix = find_suffix(photo)
        if hash_photo(photo) + suffix != name:
            photo, suffix = strip_position(photo, suffix)
        if hash_photo(photo) + suffix != name:
            return False
        self._put(self.path(name), photo)
        return True

    def holds(self, name: str) -> bool:
        """Whether a stored file lies there as it was kept: neither missing nor changed."""
        try:
            with self.path(name).open("rb") as file:
                return is_content_of(name, file)
        except OSError:
            return False

    def _put(self, path: Path, data: bytes, again: str = "add the photo again") -> None:
        """Write a file whole or not at all, and on the disk before it is named in the book."""
        if self.holds(path.name):
            return
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with replace_whole(path, mode=0o644) as file:  # other stations that share the folder read it too
                file.write(data)
        except OSError as error:
            raise BookError(
                f"The photo cannot be kept in {self.folder}: {error.strerror or error}. "
                f"Make room or check the rights of that folder, then {again}."
            ) from None
