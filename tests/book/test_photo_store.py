"""The photo store."""

import hashlib
import io
import struct

import numpy as np
import pytest
from known_pictures import to_file
from PIL import Image, ImageCms
from PIL.PngImagePlugin import PngInfo

from colourmatch.book.photo_store import PhotoStore, find_suffix, hash_photo, open_source, strip_position
from colourmatch.errors import BookError, PhotoError


def test_a_photo_lies_under_its_hash_and_a_half_written_one_is_written_again(tmp_path, jpeg):
    store = PhotoStore(tmp_path / "deep" / "photos")
    kept = store.keep(jpeg)
    path = store.path(kept.name)
    assert path == tmp_path / "deep" / "photos" / kept.sha256[:2] / f"{kept.sha256}.jpg"
    assert hashlib.sha256(path.read_bytes()).hexdigest() == kept.sha256
    assert kept.original_sha256 == hash_photo(jpeg) == hashlib.sha256(jpeg).hexdigest()
    assert path.stat().st_mode & 0o777 == 0o644, "others may read it"
    stamp = path.stat().st_mtime_ns
    assert store.keep(jpeg) == kept and path.stat().st_mtime_ns == stamp
    assert list(store.names()) == [kept.name]
    store = PhotoStore(tmp_path)
    kept = store.keep(jpeg)
    whole = store.path(kept.name).read_bytes()
    store.path(kept.name).write_bytes(whole[:100])
    store.keep(jpeg)
    assert store.path(kept.name).read_bytes() == whole


def test_the_same_photo_is_put_back_where_it_is_missing_or_changed_and_no_other(tmp_path, jpeg):
    store = PhotoStore(tmp_path)
    name = store.keep(jpeg).name
    whole = store.path(name).read_bytes()
    assert store.holds(name) and not store.put_back(name, jpeg) and not store.put_back(None, jpeg)
    store.path(name).write_bytes(whole[:-1] + b"x")  # as long as it was
    assert not store.holds(name) and store.put_back(name, jpeg) and store.path(name).read_bytes() == whole
    store.path(name).unlink()
    other = jpeg.replace(b"\xff\xd9", b"\xff\xfe\x00\x04hi\xff\xd9")  # with a comment in it
    assert not store.put_back(name, other) and list(store.names()) == []
    assert store.put_back(name, jpeg) and store.path(name).read_bytes() == whole


def test_refusals(tmp_path, jpeg):
    store = PhotoStore(tmp_path / "photos")
    with pytest.raises(PhotoError, match="empty"):
        store.keep(b"")
    for place in (tmp_path / "none.jpg", tmp_path):
        with pytest.raises(PhotoError, match="cannot be read"):
            open_source(place)
    with pytest.raises(ValueError, match="no folder"):
        store.path("../../etc/passwd")
    with pytest.raises(ValueError, match="not what its name says"):
        store.restore("0" * 64 + ".jpg", jpeg)
    (tmp_path / "photos").write_text("in the way")
    with pytest.raises(BookError, match=r"cannot be kept.*then add the photo again"):
        store.keep(jpeg)


NOISE = Image.effect_noise((96, 64), 70).convert("RGB")
PLACE = b"PLACE-12.3456N"
XMP = b"<x:xmpmeta xmlns:x='adobe:ns:meta/' exif:GPSLatitude='" + PLACE + b"'/>"
TEXTS = PngInfo()
TEXTS.add_text("comment", PLACE.decode())
TEXTS.add_itxt("XML:com.adobe.xmp", XMP.decode(), zip=True)
PROFILE = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def make_exif() -> Image.Exif:
    """Exif with a position, and a maker's note that holds a place too."""
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0x010F] = "Maker"
    exif.get_ifd(0x8769).update({0x927C: PLACE * 3, 0x829A: 0.01})
    exif.get_ifd(0x8825).update({1: "N", 2: (12.0, 34.0, 56.789), 3: "E", 4: (98.0, 7.0, 6.0), 0x1B: PLACE})
    return exif


def make_photo(kind: str, **options: object) -> bytes:
    return to_file(NOISE, kind, exif=make_exif(), icc_profile=PROFILE, **options)


def look(data: bytes) -> tuple[bytes, dict, dict, bytes | None]:
    """Pixels, main Exif entries, position entries, profile."""
    with Image.open(io.BytesIO(data)) as picture:
        exif = picture.getexif()
        main = {tag: value for tag, value in exif.items() if tag not in (0x8769, 0x8825)}
        return picture.tobytes(), main, dict(exif.get_ifd(0x8825)), picture.info.get("icc_profile")


def make_tiff(order: str) -> bytes:
    """A TIFF of 2 x 1 pixels written by hand: XMP, and two directories that both point to a position."""

    def entry(tag: int, kind: int, count: int, value: int) -> bytes:
        if kind == 3 and count == 1:
            return struct.pack(order + "HHIHH", tag, kind, count, value, 0)
        return struct.pack(order + "HHII", tag, kind, count, value)

    head = (b"II" if order == "<" else b"MM") + struct.pack(order + "HI", 42, 8)
    tags = [(256, 3, 1, 2), (257, 3, 1, 1), (258, 3, 1, 8), (259, 3, 1, 1), (262, 3, 1, 1), (273, 4, 1, 400)]
    tags += [(274, 3, 1, 3), (278, 3, 1, 1), (279, 4, 1, 2), (700, 1, len(XMP), 600), (0x8825, 4, 1, 300)]
    first = struct.pack(order + "H", len(tags)) + b"".join(entry(*tag) for tag in tags)
    first += struct.pack(order + "I", 200)
    second = struct.pack(order + "H", 1) + entry(0x8825, 4, 1, 300) + bytes(4)
    gps = struct.pack(order + "H", 1) + entry(2, 5, 3, 420) + bytes(4)
    data = bytearray(1000)
    parts = {0: head, 8: first, 200: second, 300: gps, 400: b"\x40\xc0", 420: PLACE, 600: XMP}
    for place, part in parts.items():
        data[place : place + len(part)] = part
    return bytes(data)


@pytest.mark.parametrize("order", ["<", ">"])
def test_tiff_in_both_byte_orders(order):
    original = make_tiff(order)
    stripped, suffix = strip_position(original, find_suffix(original))
    assert suffix == ".tif" and len(stripped) == len(original) and PLACE not in stripped
    with Image.open(io.BytesIO(original)) as before, Image.open(io.BytesIO(stripped)) as after:
        assert 0x8825 in before.tag_v2
        assert before.tobytes() == after.tobytes() == b"\xc0\x40"  # turned, as its tag says
        assert set(before.tag_v2) - set(after.tag_v2) == {0x8825, 700}


def test_a_dng_is_told_from_a_tiff():
    raw = bytearray(make_tiff("<"))
    # in the place of the orientation
    struct.pack_into("<HHI4B", raw, 8 + 2 + 12 * 6, 0xC612, 1, 4, 1, 4, 0, 0)
    assert find_suffix(bytes(raw)) == ".dng"
    stripped, suffix = strip_position(bytes(raw), ".dng")
    assert suffix == ".dng" and PLACE not in stripped
    struct.pack_into("<I", raw, 8 + 2 + 12 * 5 + 8, 2**31)
    with pytest.raises(PhotoError, match="damaged"):
        strip_position(bytes(raw), ".dng")


def test_exif_that_runs_in_a_circle_or_out_of_the_file_is_dropped():
    original = make_photo("JPEG")
    place = original.index(b"Exif\0\0") + 6
    for offset in (2**31, 60_000):
        broken = bytearray(original)
        order = "<" if original[place : place + 2] == b"II" else ">"
        struct.pack_into(order + "I", broken, place + 4, offset)
        stripped, _ = strip_position(bytes(broken), ".jpg")
        assert look(stripped)[:3] == (look(original)[0], {}, {}) and PLACE not in stripped


def test_what_is_cut_off_or_not_understood_is_kept_without_its_position():
    original = bytearray(make_photo("PNG"))
    odd = bytearray(make_tiff("<"))
    struct.pack_into("<H", odd, 8 + 2 + 12 * 9 + 2, 12)
    struct.pack_into("<HHI", odd, 8 + 2 + 12 * 9, 519, 4, 1)  # tables of an old JPEG in the place of the XMP
    stripped, suffix = strip_position(bytes(odd), ".tif")
    assert (suffix, stripped[:4]) == (".png", original[:4]) and PLACE not in stripped
    original = make_photo("JPEG", quality=95)
    stripped, suffix = strip_position(original[:-300], ".jpg")
    assert suffix == ".jpg" and PLACE not in stripped and stripped.endswith(original[-400:-300])


def test_rubbish_is_refused():
    with pytest.raises(PhotoError, match="damaged and cannot be kept"):
        strip_position(b"\xff\xd8\xff\xe1\x00", ".jpg")
    with pytest.raises(PhotoError, match="damaged and cannot be kept"):
        strip_position(b"II*\0" + bytes(range(8, 200)), ".tif")
    with pytest.raises(PhotoError, match="damaged and cannot be kept"):
        strip_position(b"\0\0\0\x18ftypheic" + b"\x01\x40" * 300, ".heic")
    with pytest.raises(PhotoError, match="no JPEG"):
        find_suffix(b"\0\0\0\x18ftypisom\0\0\0\0")


#: Who, with what body and lens, and words of their own; each as the standard's tag has it.
PERSONAL = {0x010E: "description", 0x013B: "artist", 0x8298: "copyright", 0x013C: "host", 0x9C9D: b"author"}


PERSONAL_INNER = {0x9286: b"comment", 0xA420: "unique", 0xA430: "owner", 0xA431: "body", 0xA435: "lens"}
KEPT_INNER = {0x829A: 0.01, 0x9003: "2026:11:25 07:14:39", 0x9011: "+01:00", 0x8827: 200}


def mark(value: object) -> object:
    """A value that holds the text that must not stay."""
    return PLACE + value if isinstance(value, bytes) else PLACE.decode() + str(value)


def make_personal(kind: str) -> bytes:
    """A photo of someone, somewhere, in a format; DNG written by tifffile, the others by Pillow."""
    exif = make_exif()
    exif.update({tag: mark(value) for tag, value in PERSONAL.items()})
    exif[0x0110] = "Model"
    exif.get_ifd(0x8769).update({tag: mark(value) for tag, value in PERSONAL_INNER.items()} | KEPT_INNER)
    if kind == "DNG":
        out = io.BytesIO()
        tifffile = pytest.importorskip("tifffile")
        tags = [(0xC612, 1, 4, bytes([1, 4, 0, 0]), True), (0xC62F, 2, 0, mark("serial"), True)]
        tags += [(0xC634, 1, len(PLACE), PLACE, True), (0x927C, 7, len(PLACE), PLACE, True)]
        tags += [(0x010F, 2, 0, "Maker", True), (0x0110, 2, 0, "Model", True)]
        tags += [(tag, 2, 0, mark(value), True) for tag, value in PERSONAL.items() if isinstance(value, str)]
        noise = np.random.default_rng(1).integers(0, 60000, (64, 96), np.uint16)
        tifffile.imwrite(out, noise, extratags=tags, metadata=None)
        return out.getvalue()
    more = {
        "JPEG": {"comment": PLACE, "xmp": XMP, "progressive": True}, "HEIF": {"xmp": XMP}, "TIFF": {},
        "PNG": {"pnginfo": TEXTS},
    }[kind]  # fmt: skip
    return to_file(NOISE, kind, exif=exif, icc_profile=PROFILE, **more)


def box(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", 8 + len(body)) + kind + body


MOVIE = box(b"ftyp", b"mp42") + box(b"moov", PLACE) + box(b"mdat", PLACE * 100)
#: How phones put a film, and programs their own data, behind a picture.
TAILS = [b"", MOVIE, box(b"mpvd", MOVIE), box(b"uuid", PLACE * 2), box(b"free", PLACE)]
TAILS += [box(b"skip", PLACE) + PLACE, b"ftypmp4" + PLACE + make_photo("JPEG")]


@pytest.mark.parametrize("tail", range(len(TAILS)))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "HEIF", "DNG"])
def test_nothing_personal_stays_in_any_format(kind, tail):
    bare = make_personal(kind)
    original = bare + TAILS[tail]
    stripped, suffix = strip_position(original, find_suffix(original))
    assert suffix == {"JPEG": ".jpg", "HEIF": ".heic", "TIFF": ".tif"}.get(kind, f".{kind.lower()}")
    assert PLACE in original and PLACE not in stripped and b"moov" not in stripped
    assert strip_position(stripped, suffix) == (stripped, suffix)
    with Image.open(io.BytesIO(bare)) as before, Image.open(io.BytesIO(stripped)) as after:
        exif = after.getexif()
        assert before.tobytes() == after.tobytes()
        assert (exif[0x010F], exif[0x0110]) == ("Maker", "Model")
        assert not {0x8825, *PERSONAL} & set(exif) and exif.get(0x0112) == before.getexif().get(0x0112)
        assert after.info.get("icc_profile") == before.info.get("icc_profile")
        if kind == "PNG":
            assert not set(after.info) & {"comment", "XML:com.adobe.xmp", "xmp"}
        if kind not in ("DNG", "TIFF"):  # those were written without a second directory
            assert dict(exif.get_ifd(0x8769)) == KEPT_INNER


def test_a_heic_that_hides_something_or_is_of_unknown_build():
    original = make_personal("HEIF")
    place = original.rindex(b"mdat") - 4
    (size,) = struct.unpack_from(">I", original, place)
    hidden = original[:place] + struct.pack(">I", size + len(PLACE)) + original[place + 4 :] + PLACE
    stripped, _ = strip_position(hidden, ".heic")
    assert PLACE not in stripped and look(stripped)[0] == look(original)[0]
    original = make_personal("HEIF")
    stripped, suffix = strip_position(original + box(b"meta", bytes(4) + PLACE), ".heic")
    assert suffix == ".png" and PLACE not in stripped
