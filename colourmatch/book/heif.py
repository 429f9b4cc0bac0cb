"""What stays of a HEIC file: the boxes and items that its picture needs; it decodes no pixel.

Everything keeps its place, since the file points into itself by offsets. A box that is not known to be needed (a movie,
`uuid`, `free`, user data) is cut off at the end, and made a `free` box of zeros elsewhere; in `mdat` and `idat` every byte
that no picture item points to becomes zero. Exif is written again, XMP blanked.
Boxes: ISO/IEC 14496-12, items and properties: ISO/IEC 23008-12, from memory.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from colourmatch.book.exif import clean_exif
from colourmatch.directories import NotUnderstoodError

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
        number, _protection, kind = struct.unpack_from(
            ">HH4s" if version == 2 else ">IH4s", data, box.body + 4
        )
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
