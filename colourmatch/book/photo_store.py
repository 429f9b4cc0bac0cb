"""Keeps photo files by the hash of their content beside the book, without what is personal; it knows no lots.
Only what is needed stays, no pixel touched: the picture, its colours, make, model, time and exposure. A file that
is not understood well enough is written again as PNG (8 bits, profile kept); a DNG is refused then."""

from __future__ import annotations

import hashlib
import io
import re
import struct
import warnings
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from colourmatch.book.checks import check_text
from colourmatch.book.heif import clean_exif, clean_heif, clean_tiff, is_dng
from colourmatch.directories import NotUnderstoodError, holds_too_much
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
        raise PhotoError(f"The photo {path} cannot be read: {error.strerror or error}. Check the path.") from None


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
    raise PhotoError("That file is no JPEG, HEIC, PNG, TIFF or DNG. Give the photo as it came from the phone.")


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


_EXIF = b"Exif\0\0"
_PNG_PICTURE = frozenset(
    b"IHDR PLTE IDAT IEND gAMA cHRM sRGB iCCP sBIT cICP tRNS bKGD pHYs".split()
)  # what the picture and its colours need
_DAMAGED = "The photo is damaged and cannot be kept. Copy it from the phone again, or take another."
_MOST_SEGMENTS, _MOST_CHUNKS = 1000, 100_000
_NEXT_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")


def strip_position(data: bytes, suffix: str) -> tuple[bytes, str]:
    """A photo without what is personal, and its suffix, which is .png when it had to be written again.

    PhotoError when the file can neither be understood nor decoded.
    """
    strip = {".jpg": _strip_jpeg, ".png": _strip_png, ".heic": _strip_heic}.get(suffix, clean_tiff)
    try:
        return strip(data), suffix
    except (NotUnderstoodError, struct.error, IndexError):
        # a DNG written again would be its small preview
        if suffix == ".dng" or (suffix == ".tif" and holds_too_much(data)):
            raise PhotoError(_DAMAGED) from None
        return _write_anew(data), ".png"


def _strip_jpeg(data: bytes) -> bytes:
    """The first picture with its JFIF, Exif, colour profile and Adobe segments (ITU-T T.81, Annex B)."""
    parts = [data[:2]]
    position = 2
    for _ in range(_MOST_SEGMENTS):
        while data[position : position + 2] == b"\xff\xff":  # fill bytes before a marker
            position += 1
        if position + 4 > len(data) or data[position] != 0xFF:
            raise NotUnderstoodError
        marker = data[position + 1]
        length = int.from_bytes(data[position + 2 : position + 4], "big")
        end = position + 2 + length
        if length < 2 or end > len(data):
            raise NotUnderstoodError
        segment = data[position:end]
        if marker == 0xDA:
            parts.append(data[position : _end_of_picture(data, end)])
            return b"".join(parts)
        parts.append(_kept_segment(marker, segment))
        position = end
    raise PhotoError(_DAMAGED)


def _kept_segment(marker: int, segment: bytes) -> bytes:
    body = segment[4:]
    if marker == 0xE1 and body.startswith(_EXIF):
        cleaned = clean_exif(body[len(_EXIF) :])
        length = 2 + len(_EXIF) + len(cleaned)
        return segment[:2] + length.to_bytes(2, "big") + _EXIF + cleaned if cleaned else b""
    wanted = {0xE0: b"JFIF\0", 0xE2: b"ICC_PROFILE\0", 0xEE: b"Adobe"}
    if 0xE0 <= marker <= 0xEF:
        return segment if marker in wanted and body.startswith(wanted[marker]) else b""
    return b"" if marker == 0xFE else segment


def _end_of_picture(data: bytes, start: int) -> int:
    """Just behind the end marker of the first picture; a truncated file ends where it ends."""
    position = start
    while (found := _NEXT_MARKER.search(data, position)) is not None:
        if found.group()[1] == 0xD9:
            return found.end()
        # between the scans of a progressive file stand further segments
        position = found.end() + int.from_bytes(data[found.end() : found.end() + 2], "big")
    return len(data)


def _strip_png(data: bytes) -> bytes:
    parts = [data[:8]]
    position = 8
    chunks = 0
    while position + 12 <= len(data):
        chunks += 1
        if chunks > _MOST_CHUNKS:
            raise PhotoError(_DAMAGED)
        (length,) = struct.unpack_from(">I", data, position)
        kind = data[position + 4 : position + 8]
        body = data[position + 8 : position + 8 + length]
        if kind == b"eXIf":
            cleaned = clean_exif(body)
            check = zlib.crc32(b"eXIf" + cleaned)
            chunk = struct.pack(">I", len(cleaned)) + b"eXIf" + cleaned + struct.pack(">I", check)
            parts.append(chunk if cleaned else b"")
        elif kind in _PNG_PICTURE:
            parts.append(data[position : position + 12 + length])
        position += 12 + length
        if kind == b"IEND":
            break
    return b"".join(parts)


def _strip_heic(data: bytes) -> bytes:
    import pillow_heif

    cleaned = clean_heif(data)
    try:
        pillow_heif.open_heif(io.BytesIO(cleaned), convert_hdr_to_8bit=False)
    except Exception:  # a decoder given rubbish raises whatever it likes
        raise NotUnderstoodError from None
    return cleaned


def _write_anew(data: bytes) -> bytes:
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            if data[4:8] == b"ftyp":
                import pillow_heif

                pillow_heif.register_heif_opener()
            with Image.open(io.BytesIO(data)) as opened:
                profile = opened.info.get("icc_profile")
                picture = ImageOps.exif_transpose(opened)
                picture = picture if picture.mode in ("L", "RGB", "I;16") else picture.convert("RGB")
                out = io.BytesIO()
                bare = Image.new(picture.mode, picture.size)
                bare.paste(picture)
                bare.save(out, "PNG", icc_profile=profile)
                return out.getvalue()
    except Exception:  # a decoder given rubbish raises whatever it likes
        raise PhotoError(_DAMAGED) from None
