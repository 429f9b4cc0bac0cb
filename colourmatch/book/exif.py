"""Which entries of Exif and of TIFF directories stay in a kept photo; it keeps no files and reads no pixels.

What is not known to be needed goes: place, names, serial numbers, comments, previews of JPEG, makers' notes. The
layout is kept, and every byte that no entry that stays points to becomes zero. Directories: TIFF 6.0, section 2, Exif 2.32 (JEITA CP-3451), DNG 1.7, from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from colourmatch.directories import (
    EXIF_IFD,
    SUB_IFDS,
    Entry,
    NotUnderstoodError,
    list_entries,
    read_numbers,
    walk_directories,
)

#: Maker, model, resolution, orientation, program, time.
_MAIN = frozenset((0x010F, 0x0110, 0x0112, 0x011A, 0x011B, 0x0128, 0x0131, 0x0132, 0x0213))
#: How it was exposed and when, by what kind of lens; nothing that names one camera or its owner.
_INNER = frozenset(
    (
        0x829A, 0x829D, 0x8822, 0x8827, 0x8830, 0x8831, 0x8832, 0x8833, 0x9000, 0x9003, 0x9004, 0x9010, 0x9011, 0x9012,
        0x9101, 0x9201, 0x9202, 0x9203, 0x9204, 0x9205, 0x9206, 0x9207, 0x9208, 0x9209, 0x920A, 0x9290, 0x9291, 0x9292,
        0xA000, 0xA001, 0xA002, 0xA003, 0xA20E, 0xA20F, 0xA210, 0xA215, 0xA217, 0xA300, 0xA301, 0xA401, 0xA402, 0xA403,
        0xA404, 0xA405, 0xA406, 0xA407, 0xA408, 0xA409, 0xA40A, 0xA40C, 0xA432, 0xA433, 0xA434,
    )
)  # fmt: skip
#: What a TIFF's picture is made of.
_PICTURE = frozenset(
    (
        254, 255, 256, 257, 258, 259, 262, 263, 264, 265, 266, 273, 277, 278, 279, 280, 281, 284, 290, 291, 292, 293,
        301, 317, 318, 319, 320, 321, 322, 323, 324, 325, SUB_IFDS, 338, 339, 340, 341, 347, 513, 514, 529, 530, 531,
        532, 0x828D, 0x828E, 0x8773, EXIF_IFD,
    )
)  # fmt: skip
_DNG_VERSION, _LAST_OF_DNG = 0xC612, 0xCD48
#: Serial number, makers' data, the first file and its name, copyright, labels.
_DNG_PERSONAL = frozenset((0xC62F, 0xC634, 0xC68B, 0xC68C, 0xC6FE, 0xC7A1))
_OLD_JPEG_TABLES = frozenset((519, 520, 521))
_STRETCHES = {273: 279, 324: 325, 513: 514}  # where strips, tiles and previews begin: how long they are


def clean_exif(block: bytes) -> bytes:
    """A block of Exif, from its byte order on, of the same length with what stays of it; empty where it is damaged."""
    try:
        return _clean(block, _MAIN | _INNER | {EXIF_IFD})
    except (NotUnderstoodError, struct.error, IndexError):
        return b""


def is_dng(data: bytes) -> bool:
    """Whether a file built like a TIFF says that it is a DNG."""
    try:
        return any(
            entry.tag == _DNG_VERSION
            for directory, order in walk_directories(data)
            for entry in list_entries(data, directory, order)
        )
    except (NotUnderstoodError, struct.error, IndexError):
        return False


def clean_tiff(data: bytes) -> bytes:
    """A TIFF or DNG of the same length with what its picture needs; NotUnderstoodError, struct.error, IndexError."""
    more = frozenset(range(_DNG_VERSION, _LAST_OF_DNG)) - _DNG_PERSONAL if is_dng(data) else frozenset()
    return _clean(data, _MAIN | _INNER | _PICTURE | more)


def _clean(data: bytes, wanted: frozenset[int]) -> bytes:
    out = bytearray(len(data))
    out[:8] = data[:8]
    for directory, order in list(walk_directories(data)):
        entries = list(list_entries(data, directory, order))
        if any(entry.tag in _OLD_JPEG_TABLES for entry in entries):
            raise NotUnderstoodError
        kept = [entry for entry in entries if entry.tag in wanted]
        if sum(entry.size for entry in kept) > len(data):
            raise NotUnderstoodError
        for entry in kept:
            if entry.size > 4:  # else it stands in the directory
                _copy(out, data, entry.value_place, entry.size)
        for start, length in _stretches(data, kept):
            _copy(out, data, start, length)
            _blank_notes(out, start, start + length)
        tail = directory + 2 + 12 * len(entries)
        rows = b"".join(data[entry.place : entry.place + 12] for entry in kept)
        closed = struct.pack(order + "H", len(kept)) + rows + data[tail : tail + 4]
        out[directory : directory + len(closed)] = closed
    return bytes(out)


def _copy(out: bytearray, data: bytes, start: int, length: int) -> None:
    if start + length > len(data):
        raise NotUnderstoodError
    out[start : start + length] = data[start : start + length]


def _stretches(data: bytes, entries: list[Entry]) -> Iterator[tuple[int, int]]:
    """Where the strips, tiles and previews of a directory lie, and how long they are."""
    by_tag = {entry.tag: entry for entry in entries}
    for place, length in _STRETCHES.items():
        if (place in by_tag) != (length in by_tag):
            raise NotUnderstoodError
        if place not in by_tag:
            continue
        starts, lengths = read_numbers(data, by_tag[place]), read_numbers(data, by_tag[length])
        if len(starts) != len(lengths) or sum(lengths) > len(data):
            raise NotUnderstoodError
        yield from zip(starts, lengths, strict=True)


def _blank_notes(out: bytearray, start: int, end: int) -> None:
    """In a picture that is a JPEG by itself: the bodies of its application segments and comments become zero."""
    position = start + 2
    if out[start:position] != b"\xff\xd8":
        return
    while position + 4 <= end and out[position] == 0xFF and out[position + 1] not in (0xDA, 0xD9):
        length = int.from_bytes(out[position + 2 : position + 4], "big")
        marker = out[position + 1]
        if (0xE1 <= marker <= 0xEF and marker != 0xEE) or marker == 0xFE:
            stop = min(position + 2 + length, end)
            out[position + 4 : stop] = bytes(max(stop - position - 4, 0))
        position += 2 + length
