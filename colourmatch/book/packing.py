"""How long texts lie in the database: series of numbers apart, as differences, all deflated (RFC 1950) after
the words that such texts have in common. The layout, the same with every zlib, is what seals.py hashes.
Older books hold texts as they are, or deflated and in letters (RFC 4648)."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import re
import zlib
from collections.abc import Iterable, Iterator
from contextlib import suppress
from functools import cache
from itertools import accumulate
from operator import sub
from pathlib import Path
from typing import Any

from sqlalchemy import LargeBinary, Text
from sqlalchemy.types import TypeDecorator

#: What is stored begins with it; older texts begin with a brace or with the letters after it.
_MARK, _OLDER_MARK = b"\x02", "z1:"
#: The first sign of a layout: a text as it is, or one with its series apart.
_PLAIN, _APART = b"t", b"s"
_NUMBER = r"-?[0-9]{1,9}\.[0-9]{1,9}"
_SERIES = re.compile(
    rf"\[{_NUMBER}(?:, {_NUMBER}){{7,}}\]|\[\[{_NUMBER}, {_NUMBER}\](?:, \[{_NUMBER}, {_NUMBER}\]){{7,}}\]"
)
_MOST_DIFFERENCES, _MOST_DECIMALS = 3, 9


def pack(text: str) -> bytes:
    """A text as it lies in the database."""
    deflating = zlib.compressobj(9, zdict=_words())
    return _MARK + deflating.compress(lay_out(text)) + deflating.flush()


def unpack(stored: str | bytes) -> str:
    """The text again; JSONDecodeError where it is damaged."""
    try:
        if isinstance(stored, bytes) and stored.startswith(_MARK):
            return _read_layout(_inflate(stored))
        older = stored if isinstance(stored, str) else stored.decode()
        if not older.startswith(_OLDER_MARK):
            return older
        packed = base64.b64decode(older[len(_OLDER_MARK) :], validate=True)
        return zlib.decompress(packed).decode("utf-8", "surrogatepass")
    except (zlib.error, binascii.Error, ValueError, IndexError, OverflowError):
        raise json.JSONDecodeError("damaged", repr(stored[:20]), 0) from None


def hash_packed(stored: str | bytes) -> str:
    """SHA-256 of the layout of what is stored, which needs no text; JSONDecodeError where it is damaged."""
    if isinstance(stored, bytes) and stored.startswith(_MARK):
        return hashlib.sha256(_inflate(stored)).hexdigest()
    return hashlib.sha256(lay_out(unpack(stored))).hexdigest()


class PackedText(TypeDecorator[str]):
    """A column of long texts."""

    impl = LargeBinary
    cache_ok = True

    def load_dialect_impl(self, dialect: Any) -> Any:
        """Text in SQLite, as older books have it, whose columns take bytes too."""
        return dialect.type_descriptor(Text() if dialect.name == "sqlite" else LargeBinary())

    def process_bind_param(self, value: str | None, dialect: Any) -> bytes | None:
        return None if value is None else pack(value)

    def process_result_value(self, value: str | bytes | None, dialect: Any) -> str | None:
        return None if value is None else unpack(value)


def lay_out(text: str) -> bytes:
    """The text with its series apart as bytes: what is between them, then all differences. Never change this: it is hashed."""
    if "\0" not in text and "\1" not in text:
        pieces, differences, place = [], b"", 0
        for found in _SERIES.finditer(text):
            if (series := _write_series(found[0])) is not None:
                pieces += [text[place : found.start()], series[0]]
                differences, place = differences + series[1], found.end()
        between = "\1".join([*pieces, text[place:]])
        layout = _APART + between.encode("utf-8", "surrogatepass") + b"\0" + differences
        if pieces and _read_layout(layout) == text:
            return layout
    return _PLAIN + text.encode("utf-8", "surrogatepass")


def _read_layout(layout: bytes) -> str:
    if layout[:1] == _PLAIN:
        return layout[1:].decode("utf-8", "surrogatepass")
    between, _, differences = layout[1:].partition(b"\0")
    pieces, place = between.decode("utf-8", "surrogatepass").split("\1"), 0
    for k in range(1, len(pieces), 2):
        pieces[k], place = _read_series(pieces[k], differences, place)
    return "".join(pieces)


def _write_series(text: str) -> tuple[str, bytes] | None:
    """Numbers as how many, decimals, and for each column bytes and first values, and the differences; None for others."""
    numbers = text.replace("[", "").replace("]", "").split(", ")
    decimals = max(map(len, re.findall(r"\.\d+", text))) - 1
    scale = 10**decimals
    whole = [round(number * scale) for number in map(float, numbers)]
    columns = [whole[::2], whole[1::2]] if text.startswith("[[") else [whole]
    told, differences = [f"{len(columns[0])},{decimals}"], b""
    for column in columns:
        first, last = min(_differ(column), key=lambda way: sum(map(abs, way[1])))
        unsigned = [-2 * d - 1 if d < 0 else 2 * d for d in last]
        most = max(unsigned)
        if most > 65535:
            return None
        told.append(",".join(map(str, (1 + (most > 255), *first))))
        differences += bytes(unsigned) if most < 256 else bytes(u & 255 for u in unsigned)
        differences += bytes(u >> 8 for u in unsigned) if most > 255 else b""
    return ";".join(told), differences


def _differ(column: list[int]) -> Iterator[tuple[list[int], list[int]]]:
    """The first value, first difference ... and the last differences, after each time that differences were taken."""
    first: list[int] = []
    for _ in range(_MOST_DIFFERENCES):
        first.append(column[0])
        column = list(map(sub, column[1:], column))
        yield list(first), column


def _read_series(told: str, differences: bytes, place: int) -> tuple[str, int]:
    head, *columns = told.split(";")
    count, decimals = map(int, head.split(","))
    if decimals > _MOST_DECIMALS:
        raise ValueError("no series")
    scale, read = 10**decimals, []
    for column in columns:
        width, *first = map(int, column.split(","))
        if len(first) > min(_MOST_DIFFERENCES, count):
            raise ValueError("no series")
        last, place = _read_differences(differences, place, count - len(first), width)
        for start in reversed(first):
            last = accumulate(last, initial=start)
        read.append([repr(whole / scale) for whole in last])
    if len(read) == 1:
        return f"[{', '.join(read[0])}]", place
    return f"[[{'], ['.join(map(', '.join, zip(*read, strict=True)))}]]", place


def _read_differences(differences: bytes, place: int, count: int, width: int) -> tuple[Iterable[int], int]:
    middle, end = place + count, place + width * count
    if width not in (1, 2) or len(differences) < end:
        raise ValueError("cut off")
    high = differences[middle:end] if width == 2 else bytes(count)
    unsigned = (before | after << 8 for before, after in zip(differences[place:middle], high, strict=True))
    return [u >> 1 ^ -(u & 1) for u in unsigned], end


def _inflate(stored: bytes) -> bytes:
    inflating = zlib.decompressobj(zdict=_words())
    with suppress(zlib.error):
        layout = inflating.decompress(memoryview(stored)[len(_MARK) :])
        if inflating.eof and not inflating.unused_data:
            return layout
    raise json.JSONDecodeError("damaged", repr(stored[:20]), 0)


@cache
def _words() -> bytes:
    """What such texts have in common, the most frequent last. Never change it: what was packed with it needs it."""
    return Path(__file__).with_name("packing_words.txt").read_bytes().replace(b"\r", b"")
