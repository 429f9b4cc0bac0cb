"""Mutations of bytes, of JSON and of typed lines; every one follows from the Random that is handed in."""

import json
from random import Random
from typing import Any

#: Numbers at which lengths, counts and offsets break.
_EDGES = (0, 1, 2, 7, 8, 127, 128, 255, 256, 32767, 32768, 65535, 65536, 2**24, 2**31 - 1, 2**31, 2**32 - 1)
#: Nothing outside the scratch folder is named here: some of it is written to.
#: What people and programs type where something else was meant.
HOSTILE = (
    "", " ", "0", "-1", "1e999", "nan", "inf", "-inf", "1,5", "1,500", "1.500,5", "1_000", "٣", "½", "0x10", "1e-400",
    "99999999999999999999999", "1" * 400, "a" * 5000, "\0", "a\0b", "\ud800", "\x1b[31m", "a\r\nb", "‮abc", "é", "é",
    "none", "None", "null", "true", "[]", "{}", "'", '"', "';--", "%s%n", "{0}", "{name}", "../../x", "folder/", "C:\\x", "CON", "~", "$HOME", "*", "--", "-", "--help", "--json", "-h", "@file", "=1+1",
    "<b>x</b>", "red", "RED", "red ", "E129", "E1", "custom", "1", "2", "3", "99", "60,45,30", "60;45;30", "1,2", "L,a,b",
    "1e308,1e308,1e308", "0,0,0,0", "1,1,9,9", "name=x,depth-mm=60,light=A", "light=Z", "depth-mm=", "weight=-1,weight=2",
    "photo.jpg", "broken.jpg", "empty.jpg", "text.jpg", "folder", "nowhere/x.pdf", "out.pdf", "out.csv", "out.json", "b.zip",
)  # fmt: skip
_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2, 3, 99, 2**31, 2**63, 2**64, 10**400, -0.0, 0.5, 1e308, -1e308, 1e-320, [], {}, [1],
    {"a": 1}, "2026-13-99T99:99:99", "2026-05-04T10:11:12", "2026-05-04T10:11:12.000000+00:00", "0001-01-01T00:00:00+14:00",
    "{", "[1", '{"spots": 3}', '{"spots": {"batch": null}}', '["red"]', "1" * 5000, "addition", "photo", "closing", "void",
    float("nan"), float("inf"),
)  # fmt: skip


def mutate_bytes(rng: Random, data: bytes, other: bytes = b"") -> bytes:
    """One to twelve changes: bits, bytes, numbers at the edges, pieces lost, doubled, moved in from another file."""
    buffer = bytearray(data)
    for _ in range(min(12, 1 + int(rng.expovariate(0.45)))):
        _change(rng, buffer, other)
        if not buffer:
            return b""
    return bytes(buffer)


def _change(rng: Random, buffer: bytearray, other: bytes) -> None:
    at = rng.randrange(len(buffer))
    if rng.random() < 0.4:  # heads decide more than pixels
        at = min(at, rng.randrange(1 + min(len(buffer) - 1, 200)))
    length = min(len(buffer) - at, 1 + int(rng.expovariate(0.05)))
    kind = rng.randrange(10)
    if kind <= 1:
        buffer[at] ^= 1 << rng.randrange(8)
    elif kind == 2:
        buffer[at] = rng.randrange(256)
    elif kind <= 4:
        width = rng.choice((2, 4))
        edge = (rng.choice(_EDGES) % 2 ** (8 * width)).to_bytes(width, rng.choice(("big", "little")))
        buffer[at : at + width] = edge
    elif kind == 5:
        del buffer[at : at + length]
    elif kind == 6:
        buffer[at:at] = buffer[at : at + length]
    elif kind == 7:
        buffer[at : at + length] = rng.randbytes(length)
    elif kind == 8 and other:
        start = rng.randrange(len(other))
        buffer[at : at + length] = other[start : start + rng.choice((length, 4 * length, 400))]
    elif rng.random() < 0.3:
        del buffer[at:]


def mutate_export(rng: Random, text: str) -> bytes:
    """An export changed as bytes, or row by row with the layout kept."""
    if rng.random() < 0.35:
        return mutate_bytes(rng, text.encode(), text.encode())
    head, *lines, tail = text.splitlines()
    rows = [json.loads(line.lstrip(",")) for line in lines]
    for _ in range(min(6, 1 + int(rng.expovariate(0.7)))):
        if rows:
            _change_rows(rng, rows)
    if rng.random() < 0.8:
        tail = f'], "row_count": {len(rows)}}}'
    laid_out = [("," if k else "") + json.dumps(row) for k, row in enumerate(rows)]
    if rng.random() < 0.05:
        laid_out[rng.randrange(len(laid_out)) :] = ["[" * 100_000]
    elif rng.random() < 0.1:  # as another program writes JSON
        return (head + "".join(laid_out) + tail).encode()
    return "\n".join([head, *laid_out, tail, ""]).encode()


def _change_rows(rng: Random, rows: list[Any]) -> None:
    at, kind = rng.randrange(len(rows)), rng.randrange(9)
    row = rows[at]
    inner = row[1] if isinstance(row, list) and len(row) == 2 and isinstance(row[1], dict) else None
    if kind == 0:
        del rows[at]
    elif kind == 1:
        rows.insert(rng.randrange(len(rows) + 1), row)
    elif kind == 2:
        other = rng.randrange(len(rows))
        rows[at], rows[other] = rows[other], row
    elif kind == 3:
        rows[at] = rng.choice((None, 1, [], ["lots"], ["lots", []], [None, {}], [["lots"], {}], {"lots": 1}))
    elif inner:
        name = rng.choice(list(inner))
        changed = dict(inner)
        if kind == 4:
            del changed[name]
        elif kind == 5:
            changed[rng.choice(("new", name + "x", ""))] = changed.pop(name)
        elif kind == 6 and isinstance(changed[name], str) and changed[name]:
            changed[name] = mutate_bytes(rng, changed[name].encode()).decode("utf-8", "replace")
        else:
            changed[name] = rng.choice(_VALUES + HOSTILE)
        rows[at] = [row[0], changed]


def mutate_words(rng: Random, words: list[str]) -> list[str]:
    """A typed line with words lost, doubled, exchanged, misspelt or replaced."""
    words = list(words)
    for _ in range(min(5, int(rng.expovariate(0.6)))):
        at, kind = rng.randrange(len(words) + 1), rng.randrange(6)
        if kind == 0 or at == len(words):
            words.insert(at, rng.choice(HOSTILE))
        elif kind == 1:
            words[at] = rng.choice(HOSTILE)
        elif kind == 2:
            del words[at]
        elif kind == 3:
            words.insert(at, words[at])
        elif kind == 4:
            other = rng.randrange(len(words))
            words[at], words[other] = words[other], words[at]
        else:
            words[at] = _misspell(rng, words[at])
    return words


def _misspell(rng: Random, word: str) -> str:
    signs = list(word)
    for _ in range(rng.randrange(1, 4)):
        at = rng.randrange(len(signs) + 1)
        if rng.random() < 0.5 or at == len(signs):
            signs.insert(at, rng.choice("0159-.,eE=;: ä\0\n\u202e\ud800%"))
        else:
            del signs[at]
    return "".join(signs)
