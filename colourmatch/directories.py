"""The directories of a TIFF, a DNG or a block of Exif: their entries and where those lie; it knows no tag's meaning but links.
TIFF 6.0, section 2, and Exif 2.32 (JEITA CP-3451), from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import NamedTuple

EXIF_IFD, SUB_IFDS = 0x8769, 0x014A
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_MAX_IFDS, _MAX_ENTRIES = 100, 1000
#: Numbers in the tags of a file, and bytes in its texts: readers put them together one by one.
MOST_NUMBERS, MOST_TEXT_BYTES = 300_000, 24_000_000


class NotUnderstoodError(Exception):
    """The file is not built as expected."""


class Entry(NamedTuple):
    """An entry of a directory; `place` its own, `value_place` that of what it holds, `size` of that in bytes."""

    tag: int
    place: int
    kind: int
    value_place: int
    size: int
    order: str


def read_numbers(data: bytes, entry: Entry) -> tuple[int, ...]:
    """The whole numbers that an entry holds; NotUnderstoodError for another kind, struct.error outside the file."""
    code = {3: "H", 4: "I", 13: "I"}.get(entry.kind)
    if code is None:
        raise NotUnderstoodError
    count = entry.size // _SIZES[entry.kind]
    return struct.unpack_from(f"{entry.order}{count}{code}", data, entry.value_place)


def walk_directories(data: bytes) -> Iterator[tuple[int, str]]:
    """Where each directory begins, and the byte order; NotUnderstoodError, struct.error or IndexError."""
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(bytes(data[:4]))
    if order is None:
        raise NotUnderstoodError
    waiting = [struct.unpack_from(order + "I", data, 4)[0]]
    seen: set[int] = set()
    while waiting:
        offset = waiting.pop()
        if offset == 0 or offset in seen:
            continue
        seen.add(offset)
        if len(seen) > _MAX_IFDS:
            raise NotUnderstoodError
        yield offset, order
        entries = list(list_entries(data, offset, order))
        for entry in entries:
            if entry.tag in (EXIF_IFD, SUB_IFDS):
                if entry.size > 4 * _MAX_IFDS:
                    raise NotUnderstoodError
                waiting += read_numbers(data, entry)
        tail = offset + 2 + 12 * len(entries)
        if tail + 4 <= len(data):
            waiting.append(struct.unpack_from(order + "I", data, tail)[0])


def list_entries(data: bytes, directory: int, order: str) -> Iterator[Entry]:
    """The entries of a directory; what they hold may lie outside the file."""
    (count,) = struct.unpack_from(order + "H", data, directory)
    if count > _MAX_ENTRIES:
        raise NotUnderstoodError
    for place in range(directory + 2, directory + 2 + 12 * count, 12):
        tag, kind, number, offset = struct.unpack_from(order + "HHII", data, place)
        size = _SIZES.get(kind, 1) * number
        value_place = place + 8 if size <= 4 else offset
        yield Entry(tag, place, kind, value_place, size, order)


def holds_too_much(data: bytes) -> bool:
    """Whether the tags of a TIFF would keep its reader busy; damage is left to the decoder, which says so."""
    numbers = text_bytes = 0
    try:
        for directory, order in walk_directories(data):
            for entry in list_entries(data, directory, order):
                if _SIZES.get(entry.kind, 1) == 1:
                    text_bytes += entry.size
                else:
                    numbers += entry.size // 2
    except (NotUnderstoodError, struct.error, IndexError):
        pass
    return numbers > MOST_NUMBERS or text_bytes > MOST_TEXT_BYTES
