"""Takes position data out of photo files without touching a pixel; it keeps no files and knows no lots.

JPEG: of the application segments only those stay that the picture needs (JFIF, Exif, colour profile, Adobe);
XMP, IPTC, comments, further pictures and films behind the first one go. In Exif the GPS directory and the
maker's note, which may hold a place too, are overwritten where they stand, so that nothing moves.
PNG: only the chunks of the picture and its colours stay, Exif is treated alike. TIFF, DNG: GPS, XMP and IPTC
are overwritten; the maker's note stays, raw developers need it. HEIC: Exif is overwritten in place, XMP
blanked. Where a file cannot be understood well enough for that, its picture is written again as PNG (8 bits
a channel, profile kept); a DNG is refused then.
Segments: ITU-T T.81, Annex B. Directories: TIFF 6.0, section 2, and Exif 2.32 (JEITA CP-3451), from memory.
"""

from __future__ import annotations

import io
import re
import struct
import warnings
import zlib
from collections.abc import Iterator
from typing import Any

from colourmatch.errors import PhotoError

_EXIF = b"Exif\0\0"
_GPS, _MAKER_NOTE, _EXIF_IFD, _SUB_IFDS = 0x8825, 0x927C, 0x8769, 0x014A
_TEXT_BLOCKS = (0x02BC, 0x83BB, 0x8649)  # XMP, IPTC, Photoshop's own block
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_PNG_PICTURE = frozenset(
    b"IHDR PLTE IDAT IEND gAMA cHRM sRGB iCCP sBIT cICP tRNS bKGD pHYs".split()
)  # what the picture and its colours need
_DNG_VERSION = 0xC612
_MAX_IFDS = 100
_DAMAGED = "The photo is damaged and cannot be kept. Copy it from the phone again, or take another."
_NEXT_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")


class _NotUnderstoodError(Exception):
    """The file is not built as expected."""


def strip_position(data: bytes, suffix: str) -> tuple[bytes, str]:
    """A photo without position data, and its suffix, which is .png when it had to be written again.

    PhotoError when the file can neither be understood nor decoded.
    """
    strip = {".jpg": _strip_jpeg, ".png": _strip_png, ".heic": _strip_heic}.get(suffix, _strip_tiff)
    try:
        return strip(data), suffix
    except (_NotUnderstoodError, struct.error, IndexError):
        if suffix == ".dng":  # written again it would be its small preview
            raise PhotoError(_DAMAGED) from None
        return _write_anew(data), ".png"


def is_dng(data: bytes) -> bool:
    """Whether a file built like a TIFF says that it is a DNG."""
    try:
        return any(tag == _DNG_VERSION for tag, *_ in _walk(bytearray(data), 0))
    except (_NotUnderstoodError, struct.error, IndexError):
        return False


def _strip_jpeg(data: bytes) -> bytes:
    parts = [data[:2]]
    position = 2
    while True:
        while data[position : position + 2] == b"\xff\xff":  # fill bytes before a marker
            position += 1
        if position + 4 > len(data) or data[position] != 0xFF:
            raise _NotUnderstoodError
        marker = data[position + 1]
        length = int.from_bytes(data[position + 2 : position + 4], "big")
        end = position + 2 + length
        if length < 2 or end > len(data):
            raise _NotUnderstoodError
        segment = data[position:end]
        if marker == 0xDA:
            parts.append(data[position : _end_of_picture(data, end)])
            return b"".join(parts)
        parts.append(_kept_segment(marker, segment))
        position = end


def _kept_segment(marker: int, segment: bytes) -> bytes:
    body = segment[4:]
    if marker == 0xE1 and body.startswith(_EXIF):
        buffer = bytearray(segment)
        try:
            _wipe_directories(buffer, 4 + len(_EXIF), (_MAKER_NOTE,))
        except (_NotUnderstoodError, struct.error, IndexError):
            return b""
        return bytes(buffer)
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
    while position + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, position)
        kind = data[position + 4 : position + 8]
        body = data[position + 8 : position + 8 + length]
        if kind == b"eXIf":
            parts.append(_clean_png_exif(body))
        elif kind in _PNG_PICTURE:
            parts.append(data[position : position + 12 + length])
        position += 12 + length
        if kind == b"IEND":
            break
    return b"".join(parts)


def _clean_png_exif(body: bytes) -> bytes:
    buffer = bytearray(body)
    try:
        _wipe_directories(buffer, 0, (_MAKER_NOTE,))
    except (_NotUnderstoodError, struct.error, IndexError):
        return b""
    check = zlib.crc32(b"eXIf" + buffer)
    return struct.pack(">I", len(buffer)) + b"eXIf" + bytes(buffer) + struct.pack(">I", check)


def _strip_tiff(data: bytes) -> bytes:
    buffer = bytearray(data)
    _wipe_directories(buffer, 0, _TEXT_BLOCKS)
    return bytes(buffer)


def _strip_heic(data: bytes) -> bytes:
    buffer = bytearray(data)
    for exif, xmp in _heif_metadata(data):
        if exif:
            start = re.search(rb"II\*\0|MM\0\*", exif)
            if start is None:
                raise _NotUnderstoodError
            tiff = exif[start.start() :]
            place = data.find(tiff)
            if place < 0:
                raise _NotUnderstoodError
            part = bytearray(tiff)
            _wipe_directories(part, 0, (_MAKER_NOTE, *_TEXT_BLOCKS))
            buffer[place : place + len(part)] = part
        if xmp:
            place = data.find(xmp)
            if place < 0:
                raise _NotUnderstoodError
            buffer[place : place + len(xmp)] = b" " * len(xmp)
    cleaned = bytes(buffer)
    if any(_GPS in _directory_tags(exif) or (xmp or b"").strip() for exif, xmp in _heif_metadata(cleaned)):
        raise _NotUnderstoodError
    return cleaned


def _heif_metadata(data: bytes) -> list[tuple[bytes, bytes]]:
    import pillow_heif

    try:
        pictures: Any = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
        return [(one.info.get("exif") or b"", one.info.get("xmp") or b"") for one in pictures]
    except Exception:  # a decoder given rubbish raises whatever it likes
        raise _NotUnderstoodError from None


def _directory_tags(exif: bytes) -> set[int]:
    start = re.search(rb"II\*\0|MM\0\*", exif)
    if start is None:
        return set()
    return {tag for tag, *_ in _walk(bytearray(exif[start.start() :]), 0)}


def _wipe_directories(buffer: bytearray, start: int, also: tuple[int, ...]) -> None:
    """Overwrite the GPS directory and the values of further tags, and take their entries out."""
    unwanted = (_GPS, *also)
    for tag, place, value_place, size, order in list(_walk(buffer, start)):
        if tag not in unwanted:
            continue
        if tag == _GPS:
            (offset,) = struct.unpack_from(order + "I", buffer, place + 8)
            for _tag, _place, inner, inner_size, _order in _entries(buffer, start, start + offset, order):
                buffer[inner : inner + inner_size] = bytes(inner_size)
            (count,) = struct.unpack_from(order + "H", buffer, start + offset)
            buffer[start + offset : start + offset + 2 + 12 * count] = bytes(2 + 12 * count)
        buffer[value_place : value_place + size] = bytes(size)
    for directory, order in list(_directories(buffer, start)):
        _take_out(buffer, directory, order, unwanted)


def _take_out(buffer: bytearray, directory: int, order: str, unwanted: tuple[int, ...]) -> None:
    """Close up a directory over the entries that go; what it points to stays where it is."""
    (count,) = struct.unpack_from(order + "H", buffer, directory)
    first, end = directory + 2, directory + 2 + 12 * count
    entries = [bytes(buffer[place : place + 12]) for place in range(first, end, 12)]
    kept = [entry for entry in entries if struct.unpack(order + "H", entry[:2])[0] not in unwanted]
    following = bytes(buffer[end : end + 4])
    closed = struct.pack(order + "H", len(kept)) + b"".join(kept) + following
    span = 2 + 12 * count + len(following)
    buffer[directory : directory + span] = closed.ljust(span, b"\0")


def _walk(buffer: bytearray, start: int) -> Iterator[tuple[int, int, int, int, str]]:
    """All entries of all directories: tag, place of the entry, place and size of its value, byte order."""
    for directory, order in _directories(buffer, start):
        yield from _entries(buffer, start, directory, order)


def _directories(buffer: bytearray, start: int) -> Iterator[tuple[int, str]]:
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(bytes(buffer[start : start + 4]))
    if order is None:
        raise _NotUnderstoodError
    waiting = [struct.unpack_from(order + "I", buffer, start + 4)[0]]
    seen: set[int] = set()
    while waiting:
        offset = waiting.pop()
        if offset == 0 or offset in seen:
            continue
        seen.add(offset)
        if len(seen) > _MAX_IFDS:
            raise _NotUnderstoodError
        directory = start + offset
        yield directory, order
        (count,) = struct.unpack_from(order + "H", buffer, directory)
        for tag, _place, value_place, size, _order in _entries(buffer, start, directory, order):
            if tag in (_EXIF_IFD, _SUB_IFDS):
                waiting += struct.unpack_from(f"{order}{size // 4}I", buffer, value_place)
        tail = directory + 2 + 12 * count
        if tail + 4 <= len(buffer):
            waiting.append(struct.unpack_from(order + "I", buffer, tail)[0])


def _entries(
    buffer: bytearray, start: int, directory: int, order: str
) -> Iterator[tuple[int, int, int, int, str]]:
    (count,) = struct.unpack_from(order + "H", buffer, directory)
    for place in range(directory + 2, directory + 2 + 12 * count, 12):
        tag, kind, number, offset = struct.unpack_from(order + "HHII", buffer, place)
        size = _SIZES.get(kind, 1) * number
        value_place = place + 8 if size <= 4 else start + offset
        if value_place + size > len(buffer):
            raise _NotUnderstoodError
        yield tag, place, value_place, size, order


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
