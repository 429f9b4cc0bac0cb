"""Small valid files and texts that the fuzz mutates: pictures of every format, a book as JSON and as a backup."""

import io
import struct
from functools import cache
from pathlib import Path
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
