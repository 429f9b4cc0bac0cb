"""Small valid files and texts that the fuzz starts from, and their mutations; every one follows from the Random handed in."""

import io
import json
import struct
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import tifffile
from drawn import display_p3_profile
from known_pictures import phone_exif, to_file
from PIL import Image

from colourmatch.book.lot_book import open_book

SIZE = (64, 48)


def draw_picture(seed: int = 1) -> Image.Image:
    """Four coloured quarters with a little noise, 64 x 48."""
    rng = np.random.default_rng(seed)
    quarters = np.array([[[200, 40, 40], [40, 180, 60]], [[50, 60, 190], [190, 170, 40]]])
    even = quarters.repeat(SIZE[1] // 2, axis=0).repeat(SIZE[0] // 2, axis=1)
    return Image.fromarray(np.clip(even + rng.integers(-9, 10, even.shape), 0, 255).astype(np.uint8))


def write_tiff16(rgb: np.ndarray) -> bytes:
    """A 16-bit RGB TIFF of an array uint16 (H, W, 3)."""
    out = io.BytesIO()
    tifffile.imwrite(out, rgb, photometric="rgb", metadata=None)
    return out.getvalue()


def write_small_dng() -> bytes:
    """The directory of a raw photo (DNGVersion, CFA) with a few samples behind it: enough to be told apart by."""
    width, height = 32, 32
    entries = [(254, 4, 1, 0), (256, 3, 1, width), (257, 3, 1, height), (258, 3, 1, 16), (259, 3, 1, 1),
               (262, 3, 1, 32803), (273, 4, 1, 400), (274, 3, 1, 1), (277, 3, 1, 1), (278, 3, 1, height),
               (279, 4, 1, width * height * 2), (33421, 3, 2, 2 | 2 << 16), (33422, 1, 4, 0x02010100),
               (50706, 1, 4, 0x00000401), (50714, 3, 1, 256), (50717, 3, 1, 16383)]  # fmt: skip
    directory = struct.pack("<H", len(entries)) + b"".join(struct.pack("<HHII", *entry) for entry in entries)
    samples = np.random.default_rng(3).integers(256, 16383, width * height).astype("<u2").tobytes()
    return (b"II*\0" + struct.pack("<I", 8) + directory + bytes(4)).ljust(400, b"\0") + samples


@cache
def picture_seeds() -> tuple[tuple[str, bytes], ...]:
    """File names and bytes of small pictures of all formats that people send."""
    rgb = draw_picture()
    grey, cmyk = rgb.convert("L"), rgb.convert("CMYK")
    palette = rgb.quantize(16)
    frames = [draw_picture(k) for k in range(2, 4)]
    exif, icc = phone_exif(), display_p3_profile()
    deep = np.asarray(rgb).astype(np.uint16) * 257
    moving: dict[str, Any] = {"save_all": True, "append_images": frames, "duration": 50}
    seeds = [
        ("a.jpg", to_file(rgb, "JPEG", exif=exif.tobytes(), icc_profile=icc)),
        ("b.jpg", to_file(rgb, "JPEG", progressive=True, exif=phone_exif(3).tobytes())),
        ("c.jpg", to_file(grey, "JPEG")),
        ("d.jpg", to_file(cmyk, "JPEG", comment=b"four inks")),
        ("e.jpg", to_file(rgb, "MPO", save_all=True, append_images=frames)),
        ("a.png", to_file(rgb, "PNG", exif=exif.tobytes(), icc_profile=icc)),
        ("b.png", to_file(palette, "PNG", transparency=3)),
        ("c.png", to_file(Image.fromarray(deep[..., 0]), "PNG")),
        ("d.png", to_file(rgb, "PNG", **moving)),
        ("e.png", to_file(rgb.convert("RGBA"), "PNG")),
        ("a.tif", to_file(rgb, "TIFF", exif=exif, icc_profile=icc)),
        ("b.tif", to_file(rgb, "TIFF", compression="tiff_lzw")),
        ("c.tif", write_tiff16(deep)),
        ("d.tif", to_file(cmyk, "TIFF")),
        ("e.tif", to_file(rgb, "TIFF", compression="jpeg")),
        ("a.gif", to_file(palette, "GIF", save_all=True, append_images=[f.quantize(8) for f in frames])),
        ("a.webp", to_file(rgb, "WEBP", exif=exif.tobytes(), icc_profile=icc)),
        ("b.webp", to_file(rgb, "WEBP", **moving)),
        ("a.bmp", to_file(rgb, "BMP")),
        ("a.dng", write_small_dng()),
        ("a.heic", to_file(rgb, "HEIF", exif=exif.tobytes(), icc_profile=icc)),
        ("b.heic", to_file(rgb.resize((96, 128)), "HEIF", quality=30)),
    ]
    return tuple(seeds)


@cache
def card_seed() -> bytes:
    """A photo of the card with three glasses, as small as it can still be measured."""
    from drawn.demo import draw_demo_photo

    from colourmatch.simulate.kitchen import Kitchen

    drawn = draw_demo_photo(Kitchen(), 1).rgb
    height, width = drawn.shape[:2]
    size = (CARD_WIDTH, round(CARD_WIDTH * height / width))
    small = Image.fromarray(drawn).resize(size, Image.Resampling.BOX)
    return to_file(small, "JPEG", quality=88)


CARD_WIDTH = 1200


def make_book(path: Path) -> None:
    """A book in which every kind of entry stands once: two stocks, three lots, photos, a trial, a closing."""
    from colourmatch.photo.measure import measure_or_refuse
    from colourmatch.workflow.references import enter_reference

    photo = to_file(draw_picture(), "JPEG")
    measurement = measure_or_refuse(photo, "a.jpg").to_json()
    with open_book(path) as book:
        book.stocks.add("red", "E129", 1.0, notes="of May")
        book.stocks.add("yellow", "E102", 1.0, made_in="batch")
        book.stocks.weigh("red", 40, 1.93)
        enter_reference(book, "The bottle", [60, 45, 30])
        head = {"ceiling_mg_per_l": 60, "dilution": 5, "number": "A-1"}
        lot = book.lots.begin("Aperitif", 900, ["red", "yellow"], **head).id
        book.photos.add(lot, measurement, {"action": "add"}, photo=photo, original_name="a.jpg")
        dose = book.additions.add(lot, "red", drops=12, entered_by="Kim")
        book.additions.correct(dose.id, drops=11, reason="counted again")
        book.volumes.take_sample(lot, 20)
        book.volumes.add_untinted(lot, 10)
        note = book.entries.add_note(lot, "smells well\nof orange")
        book.entries.move(note.id, note.created_at, "noted late")
        book.lots.amend(lot, "asked for", tolerance=2.0)
        book.trials.take(lot, 90)
        done = book.lots.begin("Cordial", 500, "red").id
        book.additions.add(done, "red", ml=1.5)
        book.lots.close(done, "matched", final={"action": "stop", "reason": "matched", "text": "done"})
        again = book.lots.begin("Bitter", 500, "red").id
        book.additions.add(again, "red", drops=3)
        book.lots.close(again, "given up")
        book.lots.reopen(again, "after all")
        book.stocks.correct("red", "misread", strength_g_per_100ml=1.1, notes="of June")
        book.lots.begin("Shrub", 2000, ["yellow"], target_lab=(60, 45, 30))


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
