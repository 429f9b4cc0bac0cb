"""Files into pictures: the same upright picture in any format or turn, a sentence with what to do, no minutes for any file."""

import hashlib
import io
import os
import re
import struct
import threading
import tracemalloc
import zlib
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import tifffile
from drawn import display_p3_profile
from known_pictures import fix_check_sums, to_file
from PIL import Image, ImageOps
from processes import run_python

from colourmatch.book.photo_store import PhotoStore, open_source
from colourmatch.errors import ColourMatchError, PhotoError
from colourmatch.photo import file_limits, load
from colourmatch.photo.file_limits import find_excess
from colourmatch.photo.load import load_photo

#: What must be done to the upright picture so that EXIF orientation k turns it back (EXIF 2.32, tag 0x0112).
STORE = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.transpose(1, 0, 2),
    6: lambda a: np.rot90(a),
    7: lambda a: a[::-1, ::-1].transpose(1, 0, 2),
    8: lambda a: np.rot90(a, -1),
}
#: A different colour in each corner, none of them neutral.
CORNERS = np.array([[[200, 40, 40], [40, 180, 60]], [[50, 60, 190], [190, 170, 40]]], np.uint8)


def draw_corners(width: int = 96, height: int = 64) -> np.ndarray:
    """A picture of four coloured quarters, uint8 (height, width, 3)."""
    return CORNERS.repeat(height // 2, axis=0).repeat(width // 2, axis=1)


def turned_file(picture: Image.Image, kind: str, orientation: int, **options: object) -> bytes:
    """A picture whose notes say that it is stored turned so."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    return to_file(picture, kind, exif=exif.tobytes(), **options)


def see_corners(rgb: np.ndarray) -> np.ndarray:
    """Mean colour of the middle of each quarter, float (2, 2, 3)."""
    rows, cols = ((slice(n // 8, 3 * n // 8), slice(5 * n // 8, 7 * n // 8)) for n in rgb.shape[:2])
    return np.array([[rgb[r, c].mean(axis=(0, 1)) for c in cols] for r in rows])


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF", "HEIF"])
@pytest.mark.parametrize("orientation", STORE)
def test_every_orientation_gives_the_same_upright_picture(kind, orientation):
    stored = Image.fromarray(np.ascontiguousarray(STORE[orientation](draw_corners(192, 128))))
    options = {"JPEG": {"quality": 95}, "WEBP": {"lossless": True}, "HEIF": {"quality": 95}}.get(kind, {})
    photo = load_photo(turned_file(stored, kind, orientation, **options))
    assert photo.rgb.shape == (128, 192, 3) and photo.rgb.dtype == np.uint8
    assert photo.full_size == (192, 128) and photo.full_scale == 1.0
    # rounding of JPEG, half-size colour of HEVC
    assert see_corners(photo.rgb) == pytest.approx(CORNERS, abs=6)


@pytest.mark.parametrize(
    ("size", "shrink", "options", "orientation"),
    [
        ((2017, 1511), 1, {}, 7),
        ((4003, 3001), 2, {}, 1),
        ((4003, 3001), 2, {}, 6),
        ((4003, 3001), 2, {"subsampling": "4:4:4"}, 7),
        ((4003, 3001), 2, {"progressive": True}, 6),
        ((4003, 3001), 2, {"restart_marker_blocks": 4}, 7),
        ((8065, 6049), 4, {}, 6),
    ],
)
def test_a_jpeg_gives_the_pixels_of_pillows_own_small_decoding(size, shrink, options, orientation):
    texture = np.random.default_rng(1).integers(0, 256, (30, 40, 3), np.uint8)
    image = Image.fromarray(texture).resize(size)
    data = turned_file(image, "JPEG", orientation, quality=85, **options)
    plain = Image.open(io.BytesIO(data))
    plain.draft("RGB", (size[0] // shrink, size[1] // shrink))
    assert (load_photo(data).rgb == np.asarray(ImageOps.exif_transpose(plain))).all()


def test_of_a_jpeg_with_more_pictures_behind_it_the_first_is_read_small():
    image = Image.fromarray(draw_corners(4032, 3024))
    data = to_file(image, "MPO", save_all=True, append_images=[Image.new("RGB", (400, 300))])
    assert Image.open(io.BytesIO(data)).format == "MPO"
    photo = load_photo(data)
    assert photo.rgb.shape == (1512, 2016, 3) and photo.full_scale == 2.0
    assert see_corners(photo.rgb) == pytest.approx(CORNERS, abs=3)


def test_transparent_and_sixteen_bit_pictures_keep_their_colours():
    photo = load_photo(to_file(Image.new("RGBA", (64, 48), (0, 100, 200, 128)), "PNG"))
    # share 128/255 of the colour and the rest of white
    assert photo.rgb[0, 0] == pytest.approx([127, 177, 227], abs=1)
    image = Image.new("P", (64, 48), 1)
    image.putpalette([0, 0, 0, 200, 30, 30])
    image.paste(0, (0, 0, 32, 48))
    photo = load_photo(to_file(image, "PNG", transparency=0))
    assert (photo.rgb[:, :32] == 255).all()
    assert (photo.rgb[:, 32:] == (200, 30, 30)).all()
    level = np.array([60000, 30000, 9000], np.uint16)
    out = io.BytesIO()
    tifffile.imwrite(out, np.broadcast_to(level, (48, 64, 3)), photometric="rgb")
    photo = load_photo(out.getvalue())
    assert photo.rgb.shape == (48, 64, 3)
    assert photo.rgb.mean(axis=(0, 1)) == pytest.approx(level / 257, abs=1)


@pytest.mark.parametrize("kind", ["GIF", "PNG", "WEBP"])
def test_of_a_moving_picture_the_first_frame_is_read(kind):
    first, second = Image.new("RGB", (64, 48), (200, 0, 0)), Image.new("RGB", (64, 48), (0, 0, 200))
    lossless = {"lossless": True} if kind == "WEBP" else {}
    photo = load_photo(to_file(first, kind, save_all=True, append_images=[second], **lossless))
    assert photo.rgb.mean(axis=(0, 1)) == pytest.approx([200, 0, 0], abs=4)


def test_profile_hash_phone_and_time_come_from_the_file():
    data = to_file(Image.new("RGB", (64, 48), (255, 128, 0)), "PNG", icc_profile=display_p3_profile())
    photo = load_photo(data)
    assert photo.profile.name == "Display P3"
    expected = [1.0, ((128 / 255 + 0.055) / 1.055) ** 2.4, 0.0]
    assert photo.to_linear(photo.rgb)[0, 0] == pytest.approx(expected, abs=1e-3)
    exif = Image.Exif()
    exif[0x0110] = "  Test\x07 phone \n" + 200 * "x"
    exif[0x0132] = "2026:01:02 03:04:05"
    data = to_file(Image.new("RGB", (64, 48)), exif=exif.tobytes())
    photo = load_photo(data, "shelf.jpg")
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert photo.phone.startswith("Test phone") and len(photo.phone) <= 80 and photo.phone.isprintable()
    assert (photo.taken_at, photo.name) == ("2026:01:02 03:04:05", "shelf.jpg")
    exif[0x0110] = " \n\t"
    assert load_photo(to_file(Image.new("RGB", (64, 48)), exif=exif.tobytes())).phone is None


def test_a_48_megapixel_photo_is_never_held_in_full():
    data = to_file(Image.new("RGB", (8000, 6000), (180, 90, 40)))
    tracemalloc.start()
    photo = load_photo(data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert photo.rgb.shape == (1500, 2000, 3) and photo.full_scale == 4.0
    assert photo.rgb.mean(axis=(0, 1)) == pytest.approx([180, 90, 40], abs=2)
    # a quarter each way: 9 MB a copy; the full picture would be 144 MB
    assert peak < 60e6


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "the file is empty"),
        (b"hello world\n", "its format is not known"),
        (b"\xff\xd8\xff\xe0" + bytes(40), "its format is not known"),
        (b"\0\0\0\x18ftypheic" + bytes(40), "its format is not known"),
        (bytes(4096), "its format is not known"),
        # a drawing that other programs would be started for
        (
            b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 99 99\n%%EndComments\nshowpage\n",
            "its format is not known",
        ),
    ],
)
def test_what_is_no_picture_is_refused(data, why):
    for name in ("photo.jpg", "photo.dng"):
        with pytest.raises(PhotoError, match=why if name == "photo.jpg" or not data else None) as caught:
            load_photo(data, name)
        assert caught.value.code == "unreadable"
    assert "Send the original" in caught.value.text and caught.value.text.endswith(".")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "HEIF", "WEBP", "GIF"])
@pytest.mark.parametrize("share", [0.05, 0.95])
def test_a_file_cut_off_is_refused(kind, share):
    noise = np.random.default_rng(1).integers(0, 256, (96, 128, 3), np.uint8)
    data = to_file(Image.fromarray(noise), kind)
    with pytest.raises(PhotoError, match="not a readable photo") as caught:
        load_photo(data[: int(len(data) * share)])
    assert caught.value.code == "unreadable"


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"comment": b"\xff\xd9"}])
def test_a_large_photo_cut_off_says_so(options):
    noise = np.random.default_rng(1).integers(0, 256, (300, 400, 3), np.uint8)
    data = to_file(Image.fromarray(noise).resize((4032, 3024)), "JPEG", **options)
    for share in (0.2, 0.99):
        with pytest.raises(PhotoError, match="it is cut off"):
            load_photo(data[: int(len(data) * share)])


def test_a_claimed_giant_is_refused_undecoded():
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0)
    chunks = (b"IHDR", header), (b"IDAT", zlib.compress(bytes(1000))), (b"IEND", b"")
    data = b"\x89PNG\r\n\x1a\n" + b"".join(chunk(*one) for one in chunks)
    tracemalloc.start()
    with pytest.raises(PhotoError, match="claims 60000 x 60000 pixels"):
        load_photo(data)
    assert tracemalloc.get_traced_memory()[1] < 10e6
    tracemalloc.stop()


def test_a_file_too_large_a_missing_one_and_a_folder_say_so(monkeypatch, tmp_path):
    monkeypatch.setattr(load, "MAX_FILE_BYTES", 1000)
    path = tmp_path / "large.jpg"
    path.write_bytes(bytes(2_000_000))
    for source in (path, bytes(2_000_000)):
        with pytest.raises(PhotoError, match="the file has 2 MB"):
            load_photo(source)
    with pytest.raises(PhotoError, match=r"There is no file 'nowhere\.jpg'\. Check the name and the "):
        load_photo(tmp_path / "nowhere.jpg")
    with pytest.raises(PhotoError, match="is a folder"):
        load_photo(tmp_path)


@pytest.mark.parametrize("size", [(8, 8), (400, 12), (16, 20000)])
def test_a_picture_too_small_or_a_strip_is_refused(size):
    with pytest.raises(PhotoError, match=re.escape(f"it has only {size[0]} x {size[1]} pixels")):
        load_photo(to_file(Image.new("L", size), "PNG"))


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_damaged_notes_of_the_phone_do_not_cost_the_photo(kind):
    whole = turned_file(Image.fromarray(draw_corners()), kind, 6)
    broken = whole.replace(b"MM\0*\0\0\0\x08", b"MM\0*\x7f\xff\xff\xff")
    broken = broken if kind == "JPEG" else fix_check_sums(broken)
    photo = load_photo(broken)
    assert photo.taken_at is None and sorted(photo.rgb.shape) == [3, 64, 96]


@pytest.mark.parametrize(
    ("mode", "fill", "kind"),
    [("RGB", (120, 90, 60), "PNG"), ("RGBA", (120, 90, 60, 255), "PNG"), ("I;16", 30000, "PNG"), ("L", 100, "TIFF"),
     ("CMYK", (10, 20, 30, 40), "JPEG"), ("P", 7, "PNG")],
)  # fmt: skip
def test_a_large_picture_of_any_mode_is_made_small_band_by_band(mode, fill, kind):
    """Four times the working width in a format that cannot be decoded small keeps its colour, size and scale."""
    image = Image.new(mode, (1248, 8400), fill)
    photo = load_photo(turned_file(image, kind, 6))
    small = load_photo(turned_file(image.resize((25, 84)), kind, 6))
    assert photo.rgb.shape == (312, 2100, 3) and photo.full_scale == 4
    assert np.abs(photo.rgb.astype(int) - small.rgb[0, 0]).max() <= 1


def _box(kind: bytes, *parts: bytes) -> bytes:
    body = b"".join(parts)
    return struct.pack(">I4s", 8 + len(body), kind) + body


def _boxes(data: bytes) -> dict[bytes, bytes]:
    """What lies in each box of a run of them, by its kind (ISO/IEC 14496-12, 4.2)."""
    found, at = {}, 0
    while at < len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        found[kind] = data[at + 8 : at + size]
        at += size
    return found


def write_tiled_heic(tile: Image.Image, columns: int, rows: int, size: tuple[int, int]) -> bytes:
    """A HEIC of equal tiles, as phones write theirs (ISO/IEC 23008-12, 6.6.2.3 "grid"), cut to (width, height)."""
    parts = _boxes(to_file(tile, "HEIF", quality=90))
    meta, plain = _boxes(parts[b"meta"][4:]), bytes(4)
    coded, grid_id = parts[b"mdat"], columns * rows + 1
    of_tile = _boxes(_boxes(meta[b"iprp"])[b"ipco"])
    grid = bytes([0, 0, rows - 1, columns - 1]) + struct.pack(">HH", *size)
    kinds = [*((n, b"hvc1") for n in range(1, grid_id)), (grid_id, b"grid")]
    listed = [_box(b"infe", b"\2\0\0\0" + struct.pack(">HH4s", n, 0, kind) + b"\0") for n, kind in kinds]
    made_of = _box(b"dimg", struct.pack(f">HH{grid_id - 1}H", grid_id, grid_id - 1, *range(1, grid_id)))
    kept = (_box(kind, of_tile[kind]) for kind in (b"hvcC", b"ispe", b"pixi"))
    known = _box(b"ipco", *kept, _box(b"ispe", plain, struct.pack(">II", *size)))
    uses = [*(struct.pack(">H4B", n, 3, 0x81, 2, 3) for n in range(1, grid_id)),
            struct.pack(">H3B", grid_id, 2, 4, 3)]  # fmt: skip

    def head(start: int) -> bytes:
        tiles = (struct.pack(">HHHII", n, 0, 1, start, len(coded)) for n in range(1, grid_id))
        places = [*tiles, struct.pack(">HHHII", grid_id, 0, 1, start + len(coded), len(grid))]
        return _box(b"ftyp", parts[b"ftyp"]) + _box(
            b"meta",
            plain,
            _box(b"hdlr", meta[b"hdlr"]),
            _box(b"pitm", plain, struct.pack(">H", grid_id)),
            _box(b"iloc", plain, b"\x44\0", struct.pack(">H", grid_id), *places),
            _box(b"iinf", plain, struct.pack(">H", grid_id), *listed),
            _box(b"iref", plain, made_of),
            _box(b"iprp", known, _box(b"ipma", plain, struct.pack(">I", grid_id), *uses)),
        )

    return head(len(head(0)) + 8) + _box(b"mdat", coded, grid)


def test_a_phones_heic_of_48_megapixels_fits_into_a_gigabyte(tmp_path):
    path = tmp_path / "large.heic"
    path.write_bytes(write_tiled_heic(Image.fromarray(draw_corners(512, 512)), 16, 12, (8064, 6048)))
    said = load_within(10**9, path, "photo.full_size, *(photo.rgb[y, x] for y in (32, 96) for x in (32, 96))")
    assert said[:2] == [8064, 6048]
    # a quarter of the size: the first tile is 128 pixels, its quarters have their middles at 32 and 96
    assert np.abs(np.array(said[2:]).reshape(2, 2, 3) - CORNERS).max() <= 3


def load_within(limit_bytes: int, path: Path, what: str) -> list[int]:
    """Numbers of a photo that a process of its own has loaded within a limit of memory (RLIMIT_DATA)."""
    code = (
        f"import resource, sys; resource.setrlimit(resource.RLIMIT_DATA, ({limit_bytes}, {limit_bytes}));"
        "from colourmatch.photo.load import load_photo; photo = load_photo(sys.argv[1]);"
        f"print(*(int(v) for part in ({what}) for v in part))"
    )
    done = run_python("-c", code, path)
    assert done.returncode == 0, done.stderr
    return [int(word) for word in done.stdout.split()]


@pytest.mark.parametrize(("megapixels", "kind"), [(200, "PNG"), (48, "TIFF")])
def test_a_phones_largest_pictures_fit_into_a_gigabyte(megapixels, kind, tmp_path):
    width, height = (round((megapixels * part) ** 0.5) // 8 * 8 for part in (4e6 / 3, 3e6 / 4))
    path = tmp_path / "large"
    options = {"compress_level": 1} if kind == "PNG" else {"compression": "tiff_lzw"}
    palette = Image.new("P", (width, height))  # drawn faster, and as large when it is read
    palette.putpalette([120, 90, 60])
    (palette if kind == "PNG" else palette.convert("RGB")).save(path, kind, **options)
    said = load_within(10**9, path, "photo.full_size, photo.rgb[100, 100]")
    assert said[:2] == [width, height] and np.abs(np.array(said[2:]) - (120, 90, 60)).max() <= 2


def test_formats_whose_decoders_hold_a_picture_many_times_have_a_lower_bound(monkeypatch):
    monkeypatch.setattr(load, "MAX_PIXELS_HEAVY", 90 * 60)
    image = Image.fromarray(draw_corners())
    assert load_photo(to_file(image, "PNG")).full_size == (96, 64)
    with pytest.raises(PhotoError, match="claims 96 x 64 pixels"):
        load_photo(to_file(image, "WEBP"))


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


@pytest.mark.parametrize(("body", "count"), [(b"", 1001), (bytes(65_000), 400), (b"Exif\0\0" + bytes(60_000), 450)])
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


@pytest.mark.parametrize("kind, size, excess", [(5, 8, True), (3, 2, True), (4, 4, True), (2, 1, False)])
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
