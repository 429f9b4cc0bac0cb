"""Files that would cost minutes are refused by what they hold, before a decoder starts."""

import os
import struct
import threading
import tracemalloc
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from known_pictures import to_file
from PIL import Image

from colourmatch.book.photo_store import PhotoStore, open_source
from colourmatch.errors import ColourMatchError, PhotoError
from colourmatch.photo import file_limits
from colourmatch.photo.file_limits import find_excess
from colourmatch.photo.load import load_photo


def save(kind: str, side: int = 64, **options: object) -> bytes:
    return to_file(np.random.default_rng(3).integers(0, 255, (side, side, 3)), kind, **options)


def repeat_last_scan(count: int, side: int = 64) -> bytes:
    data = save("JPEG", side, progressive=True)
    last = data.rindex(b"\xff\xda")
    return data[:last] + data[last:-2] * count + b"\xff\xd9"


def add_segments(body: bytes, count: int) -> bytes:
    data = save("JPEG")
    return data[:2] + (b"\xff\xe1" + struct.pack(">H", 2 + len(body)) + body) * count + data[2:]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "GIF", "BMP", "PPM", "WEBP"])
def test_an_ordinary_file_passes(kind):
    assert find_excess(save(kind)) is None


def test_scans_are_counted_by_the_pixels_of_their_pictures():
    assert find_excess(repeat_last_scan(20)) is None
    assert "too many scans" in str(find_excess(repeat_last_scan(file_limits.MOST_SCANS)))
    data = bytearray(save("JPEG", progressive=True))
    size = data.index(b"\xff\xc2") + 5
    for side, excess in ((4000, False), (9000, True), (12_000, True)):
        data[size : size + 4] = struct.pack(">HH", side, side)
        assert (find_excess(bytes(data)) is not None) is excess


@pytest.mark.parametrize(
    ("body", "count"), [(b"", 1001), (bytes(65_000), 400), (b"Exif\0\0" + bytes(60_000), 450)]
)
def test_segments_and_their_bytes_are_counted(body, count):
    assert find_excess(add_segments(body, count // 10)) is None
    data = add_segments(body, count)
    assert "too many segments" in str(find_excess(data))
    with pytest.raises(PhotoError, match="too many segments"):
        load_photo(data)


def test_pieces_of_a_png_are_counted(tmp_path):
    data = save("PNG")
    many = data[:33] + struct.pack(">I4sI", 0, b"prVt", 0) * (file_limits.MOST_CHUNKS + 1) + data[33:]
    assert "too many pieces" in str(find_excess(many))
    with pytest.raises(PhotoError):
        PhotoStore(tmp_path).keep(many + b"".join(struct.pack(">I4sI", 0, b"IDAT", 0) for _ in range(9)))


@pytest.mark.parametrize(
    ("kind", "size", "excess"), [(5, 8, True), (3, 2, True), (4, 4, True), (2, 1, False)]
)
def test_numbers_in_the_tags_of_a_tiff_are_counted(kind, size, excess):
    tags = struct.pack("<HHII", 282, kind, 700_000, 26)
    data = b"II*\0" + struct.pack("<IH", 8, 1) + tags + bytes(4) + bytes(700_000 * size)
    assert (find_excess(data) is not None) is excess


def test_a_tiff_of_very_many_directories_is_refused_before_they_are_read(tmp_path):
    count = 5_000_000
    tags = struct.pack("<HHII", 330, 4, count, 26)
    data = b"II*\0" + struct.pack("<IH", 8, 1) + tags + bytes(4) + bytes(4 * count)
    tracemalloc.start()
    assert "tags hold too much" in str(find_excess(data))
    with pytest.raises(PhotoError, match="damaged"):
        PhotoStore(tmp_path).keep(data)
    assert tracemalloc.get_traced_memory()[1] < 4 * len(data)  # one number for each would take ten times that
    tracemalloc.stop()


@pytest.mark.parametrize(
    "head", [b"GIF89a", b"P3 9 9 255\n", b"BM" + bytes(28) + b"\1", b"\0\0\0\x0cjP  ", b"\xff\x4f\xff\x51"]
)
def test_formats_that_are_read_byte_by_byte_have_a_lower_bound(head):
    assert find_excess(head + bytes(1000)) is None
    assert find_excess(head + bytes(file_limits.MOST_SLOW_BYTES)) is not None


@pytest.mark.parametrize("mode", ["RGB", "L"])
@pytest.mark.parametrize("tail", [b"", b"\xff\xd9", b"ftypmp42" + bytes(9000) + b"\xff\xd9"])
def test_a_jpeg_that_ends_early_is_refused_and_the_decoder_says_nothing(mode, tail, capfd):
    noise = np.random.default_rng(3).integers(0, 255, (300, 400, 3), np.uint8)
    data = to_file(Image.fromarray(noise).convert(mode))
    assert load_photo(data).full_size == (400, 300)
    with pytest.raises(PhotoError, match=r"cut off|damaged"):
        load_photo(data[: len(data) // 2] + tail)
    assert capfd.readouterr() == ("", "")


def test_bytes_between_the_parts_of_a_jpeg_are_no_damage(capfd):
    data = save("JPEG")
    odd = load_photo(data[:-2] + bytes(range(1, 9)) + b"\xff\xd9")
    assert np.array_equal(odd.rgb, load_photo(data).rgb)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("compression", ["tiff_lzw", "tiff_adobe_deflate", "jpeg"])
def test_a_damaged_tiff_is_refused_or_read_without_a_word(compression, capfd):
    data = bytearray(save("TIFF", 400, compression=compression))
    for place in range(2000, len(data) - 2000, 997):
        data[place : place + 40] = bytes(40)
    with suppress(PhotoError):
        load_photo(bytes(data))
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_pipes_and_devices_are_refused_at_once(tmp_path):
    pipe = tmp_path / "photo.jpg"
    os.mkfifo(pipe)
    asked: list[object] = []

    def ask() -> None:
        for path in (pipe, Path("/dev/zero")):
            for act in (load_photo, open_source):
                try:
                    act(path)
                except ColourMatchError as error:
                    asked.append("pipe or a device" in error.text)

    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    thread.join(30)
    assert asked == [True] * 4
