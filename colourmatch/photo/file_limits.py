"""What a picture file may ask of its decoder, counted before that starts; it decodes nothing.

A file of few bytes can keep a decoder busy for minutes or fill the memory: a JPEG with thousands of scans over the whole
picture, parts that a reader puts together one by one, millions of numbers in one tag. Within these limits no file takes
10 s or 1 GB on the machine of tests/bench/bench_hostile_photos.py. JPEG: ITU-T T.81, Annex B. PNG: RFC 2083.
"""

from __future__ import annotations

import re
import struct

from colourmatch.directories import holds_too_much

#: JPEG: cameras write one scan, progressive files some ten; a phone's depth map takes some megabytes of 64 kB each.
MOST_SCANS, MOST_SEGMENTS, MOST_SEGMENT_BYTES = 64, 1000, 24_000_000
#: Pixels of all scans of a file of several, and of such a picture, of which the decoder holds each at 6 bytes.
MOST_SCANNED_PIXELS, MOST_PIXELS_IN_SCANS = 600_000_000, 100_000_000
#: PNG: parts of a file, each of some kilobytes.
MOST_CHUNKS = 100_000
#: Bytes of files whose readers take them apart byte by byte, or bit by bit (JPEG 2000).
MOST_SLOW_BYTES = 8_000_000
_NEXT_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")
_SIZES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}  # the segments that say width and height
_PLAIN_PPM = (b"P1", b"P2", b"P3")
_JPEG_2000 = (b"\0\0\0\x0cjP  ", b"\xff\x4f\xff\x51")


def find_excess(data: bytes) -> str | None:
    """What of a file is too much for its decoder, None when nothing is."""
    if data.startswith(b"\xff\xd8"):
        return _find_excess_in_jpeg(data)
    if data.startswith(b"\x89PNG"):
        return "it is made of too many pieces" if _count_chunks(data) > MOST_CHUNKS else None
    if data[:4] in (b"II*\0", b"MM\0*"):
        return "its tags hold too much" if holds_too_much(data) else None
    slow = data.startswith((b"GIF8", *_PLAIN_PPM, *_JPEG_2000)) or (
        data.startswith(b"BM") and data[30:31] in (b"\1", b"\2")
    )
    return (
        f"the file has {len(data) / 1e6:.0f} MB, too much for its format"
        if slow and len(data) > MOST_SLOW_BYTES
        else None
    )


def _find_excess_in_jpeg(data: bytes) -> str | None:
    position, scans, segments, size, pixels = 2, 0, 0, 0, 0
    while (found := _NEXT_MARKER.search(data, position)) is not None and (marker := found.group()[1]) != 0xD9:
        length = int.from_bytes(data[found.end() : found.end() + 2], "big")
        if marker == 0xDA:
            scans += 1
        else:
            segments, size = segments + 1, size + length
        if marker in _SIZES and not pixels:
            height, width = struct.unpack(">HH", data[found.end() + 3 : found.end() + 7].ljust(4, b"\0"))
            pixels = height * width
        if segments > MOST_SEGMENTS or size > MOST_SEGMENT_BYTES:
            return "it holds too many segments beside its picture"
        if scans > MOST_SCANS or (
            scans > 1 and (scans * pixels > MOST_SCANNED_PIXELS or pixels > MOST_PIXELS_IN_SCANS)
        ):
            return f"it builds up {pixels / 1e6:.0f} megapixels in too many scans"
        position = found.end() + max(length, 2)
    return None


def _count_chunks(data: bytes) -> int:
    position, count = 8, 0
    while position + 12 <= len(data) and count <= MOST_CHUNKS:
        position += 12 + int.from_bytes(data[position : position + 4], "big")
        count += 1
    return count
