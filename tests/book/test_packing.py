"""Long texts come back as they were, letter by letter, whatever they are, and are hashed without being read."""

import base64
import hashlib
import json
import math
import zlib

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from colourmatch.book.packing import hash_packed, lay_out, pack, unpack

OUTLINE = [[round(700 + 80 * math.cos(k / 6), 1), round(400 - 79 * math.sin(k / 6), 1)] for k in range(37)]
CURVE = [round(30 * math.exp(-k / 30), 3) for k in range(121)]
MEASURED = json.dumps({"photo": "a.jpg", "drawing": {"windows": {"batch": OUTLINE}}, "curve": CURVE})
#: The layouts of 0011: hashes of entries stand on them, and on paper.
LAID_OUT = {
    '{"a": [0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2]}': b's{"a": \x018,1;1,5,1\x01}\0' + bytes(6),
    '[1.5, 2.5, 3.5, 4.5, 5.5, 6.5, 7.5, 90.25]': b"s\x018,2;2,150,100\x01\0" + bytes(5) + b"\xde" + bytes(5) + b"\x3f",
    '{"a": 1}': b't{"a": 1}',
}  # fmt: skip
PACKED = "Anj5TXptTysheWzHEjEyAhpTqAUAqPwUVQ=="
decimals = st.decimals(-999, 999, places=3, allow_nan=False).map(float)
numbers = st.one_of(st.floats(allow_nan=False), decimals, st.integers())


@pytest.mark.parametrize("text", LAID_OUT)
def test_the_layout_is_the_one_that_hashes_stand_on(text):
    assert lay_out(text) == LAID_OUT[text]
    assert hash_packed(pack(text)) == hashlib.sha256(LAID_OUT[text]).hexdigest()


def test_series_that_change_little_take_little_room():
    assert unpack(pack(MEASURED)) == MEASURED
    assert len(pack(MEASURED)) * 2 < len(zlib.compress(MEASURED.encode(), 9))


@given(st.lists(st.one_of(numbers, st.lists(numbers, min_size=2, max_size=2)), min_size=6, max_size=40))
def test_any_series_comes_back(values):
    text = json.dumps({"curve": values, "again": values[::-1]})
    assert unpack(pack(text)) == text


@given(st.text())
@example("[" + ", ".join(["-0.0"] * 9) + "]")
@example("[" + ", ".join(["1.50"] * 9) + "]")
@example("[" + ", ".join(["0.000000001"] * 9) + "]")
@example("[" + ", ".join(["9" * 400 + ".5"] * 9) + "]")
@example("[" + ", ".join(["123456789.123456789"] * 9) + "]")
@example(f'"{chr(0)}{chr(1)}" {CURVE}')
@example('"\ud800"')
@example("")
def test_any_text_comes_back_though_it_only_looks_like_a_series(text):
    assert unpack(pack(text)) == text


def test_what_was_packed_before_is_read():
    """The words that texts are deflated after are a part of every book that was written with them."""
    text = '{"action": "add", "reason": "step", "text": "Add 9 drops of red"}'
    assert unpack(base64.b64decode(PACKED)) == text


def test_what_older_books_hold_is_read_and_hashed_as_what_is_packed_now():
    older = "z1:" + base64.b64encode(zlib.compress(MEASURED.encode(), 9)).decode()
    for stored in (older, older.encode(), MEASURED, MEASURED.encode()):
        assert unpack(stored) == MEASURED and hash_packed(stored) == hash_packed(pack(MEASURED))


def test_damage_is_said_and_costs_nothing():
    whole = pack(MEASURED)
    for damaged in (whole[:-1], whole[:40], whole + b"x", b"\x02", whole[:60] + b"\xff" + whole[61:]):
        for read in (unpack, hash_packed):
            with pytest.raises(json.JSONDecodeError):
                read(damaged)


@pytest.mark.parametrize(
    "layout",
    [
        b"s\x018,99999999;1,5,1\x01\0" + bytes(8),
        b"s\x01999999999,1;1,5\x01\0" + bytes(8),
        b"s\x01-3,1;1,5\x01\0",
        b"s\x018,1;3,5\x01\0" + bytes(30),
        b"s\x018,1;" + b"1," * 100_000 + b"1\x01\0",
        b"s\x01x\x01\0",
    ],
)
def test_a_layout_that_nobody_wrote_is_refused(layout):
    deflating = zlib.compressobj(9)
    with pytest.raises(json.JSONDecodeError):
        unpack(b"\x02" + deflating.compress(layout) + deflating.flush())
