"""Takes out of photo files what is personal, without touching a pixel; it keeps no files and knows no lots.
Only what is needed stays: the picture, its colours, make, model, time and exposure. Where a file cannot be
understood well enough, its picture is written again as PNG (8 bits, profile kept); a DNG is refused then."""

from __future__ import annotations

import io
import re
import struct
import warnings
import zlib

from colourmatch.book.heif import clean_exif, clean_heif, clean_tiff
from colourmatch.directories import NotUnderstoodError, holds_too_much
from colourmatch.errors import PhotoError

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
