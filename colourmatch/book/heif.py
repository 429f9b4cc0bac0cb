"""What stays of Exif, TIFF, DNG and HEIC: what a picture needs, in its place; the rest becomes zero.
Directories: TIFF 6.0, section 2, Exif 2.32 (JEITA CP-3451), DNG 1.7; boxes: ISO/IEC 14496-12, items and
properties: ISO/IEC 23008-12; all from memory."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from colourmatch.directories import (
    EXIF_IFD,
    SUB_IFDS,
    Entry,
    NotUnderstoodError,
    list_entries,
    read_numbers,
    walk_directories,
)

_FILE = frozenset((b"ftyp", b"meta", b"mdat"))
_META = frozenset((b"hdlr", b"pitm", b"iinf", b"iref", b"iprp", b"iloc", b"idat", b"dinf", b"grpl"))
_PROPERTIES = frozenset(
    (
        b"hvcC", b"av1C", b"avcC", b"jpgC", b"lhvC", b"ispe", b"colr", b"pixi", b"pasp", b"irot", b"imir", b"clap",
        b"auxC", b"lsel", b"a1op", b"a1lx", b"clli", b"mdcv", b"cclv", b"amve", b"rloc", b"tols", b"oinf", b"ndwt",
    )
)  # fmt: skip
_PICTURES = frozenset((b"hvc1", b"av01", b"avc1", b"jpeg", b"lhv1", b"grid", b"iden", b"iovl", b"tmap"))
_HANDLER_NAME = 24  # where the name begins in `hdlr`, behind its head


class Box(NamedTuple):
    """A box of a file: its kind, where it, its body and what follows it begin."""

    kind: bytes
    start: int
    body: int
    end: int


@dataclass
class Item:
    """An item of a file: its kind and where its bytes lie."""

    kind: bytes
    extents: list[tuple[int, int]] = field(default_factory=list)


def clean_heif(data: bytes) -> bytes:
    """The file with what its picture needs; NotUnderstoodError, struct.error or IndexError where it cannot be told."""
    boxes = list(_boxes(data, 0, len(data)))
    (meta,) = _only(boxes, b"meta")
    parts = list(_boxes(data, meta.body + 4, meta.end))
    items = _read_items(data, parts)
    starts = [start for item in items.values() for start, _end in item.extents]
    filled = [box for box in boxes if box.kind == b"mdat" and any(box.body <= at < box.end for at in starts)]
    needed = [boxes[0], meta, *filled]
    out = bytearray(data)
    for box in boxes:
        if box not in needed:
            _free(out, box)
    _clean_meta(out, parts)
    for box in [*filled, *_only(parts, b"idat", least=0)]:
        out[box.body : box.end] = bytes(box.end - box.body)
    for item in items.values():
        if item.kind in _PICTURES:
            for start, end in item.extents:
                out[start:end] = data[start:end]
    for item in items.values():
        if item.kind not in _PICTURES:
            _clean_item(out, data, item)
    return bytes(out[: max(box.end for box in needed)])


def _boxes(data: bytes, start: int, end: int) -> Iterator[Box]:
    while start < end:
        size, kind = struct.unpack_from(">I4s", data, start)
        head = 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, start + 8)
            head = 16
        stop = end if size == 0 else start + size
        if stop > end or stop < start + head:
            if kind not in _FILE and start > 0 and end == len(data):
                return  # rubbish behind the file
            raise NotUnderstoodError
        yield Box(kind, start, start + head, stop)
        start = stop


def _only(boxes: list[Box], kind: bytes, least: int = 1) -> list[Box]:
    found = [box for box in boxes if box.kind == kind]
    if not least <= len(found) <= 1:
        raise NotUnderstoodError
    return found


def _free(out: bytearray, box: Box) -> None:
    out[box.start + 4 : box.start + 8] = b"free"
    out[box.body : box.end] = bytes(box.end - box.body)


def _clean_meta(out: bytearray, parts: list[Box]) -> None:
    """Unknown boxes and properties of the description are emptied, and the names that items carry."""
    for box in parts:
        if box.kind not in _META:
            _free(out, box)
        elif box.kind == b"hdlr":
            name = box.body + _HANDLER_NAME
            out[name : box.end] = bytes(box.end - name)
        elif box.kind == b"iprp":
            for inner in _boxes(bytes(out), box.body, box.end):
                if inner.kind == b"ipco":
                    for known in _boxes(bytes(out), inner.body, inner.end):
                        if known.kind not in _PROPERTIES:
                            _free(out, known)
                elif inner.kind != b"ipma":
                    _free(out, inner)


def _read_items(data: bytes, parts: list[Box]) -> dict[int, Item]:
    (named,), (placed,) = _only(parts, b"iinf"), _only(parts, b"iloc")
    count_size = 2 if data[named.body] == 0 else 4
    items: dict[int, Item] = {}
    for box in _boxes(data, named.body + 4 + count_size, named.end):
        version = data[box.body]
        if box.kind != b"infe" or version not in (2, 3):
            raise NotUnderstoodError
        number, _protection, kind = struct.unpack_from(">HH4s" if version == 2 else ">IH4s", data, box.body + 4)
        items[number] = Item(kind)
    inside = [box.body for box in _only(parts, b"idat", least=0)]
    for number, method, start, length in _read_places(data, placed):
        if number not in items or method > len(inside) or length == 0:
            raise NotUnderstoodError
        start += inside[0] if method else 0
        if start + length > len(data):
            raise NotUnderstoodError
        items[number].extents.append((start, start + length))
    return items


def _read_places(data: bytes, box: Box) -> Iterator[tuple[int, int, int, int]]:
    """Of every stretch of `iloc`: the item, whether it is counted from `idat`, where it begins, its length."""
    version, position = data[box.body], box.body + 4

    def take(size: int) -> int:
        nonlocal position
        position += size
        if position > box.end:
            raise NotUnderstoodError
        return int.from_bytes(data[position - size : position], "big")

    sizes = take(2)
    offset_size, length_size, base_size, index_size = ((sizes >> shift) & 15 for shift in (12, 8, 4, 0))
    for _ in range(take(2 if version < 2 else 4)):
        number = take(2 if version < 2 else 4)
        method = take(2) & 15 if version else 0
        take(2)
        base = take(base_size)
        for _ in range(take(2)):
            take(index_size if version else 0)
            start = take(offset_size)
            yield number, method, base + start, take(length_size)


def _clean_item(out: bytearray, data: bytes, item: Item) -> None:
    """Whatever is no picture: Exif is written again with what stays of it, all else is blank."""
    for start, end in item.extents:
        out[start:end] = bytes(end - start) if item.kind == b"Exif" else b" " * (end - start)
    if item.kind != b"Exif" or len(item.extents) != 1:
        return
    start, end = item.extents[0]
    block = re.search(rb"II\*\0|MM\0\*", data[start:end])
    cleaned = clean_exif(data[start + block.start() : end]) if block else b""
    if block and cleaned:
        head = start + block.start()
        out[start:head] = data[start:head]
        out[head:end] = cleaned


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
