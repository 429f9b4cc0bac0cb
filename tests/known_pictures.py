"""Picture files as bytes, of any kind that phones and programs write."""

import io
import random
import struct
import zlib
from typing import Any

import numpy as np
from PIL import Image


def to_file(picture: Image.Image | np.ndarray, kind: str = "JPEG", **options: Any) -> bytes:
    """The bytes of a picture, or of an array (H, W, 3) of codes, as a file of a kind that Pillow knows."""
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    if isinstance(picture, np.ndarray):
        picture = Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8))
    out = io.BytesIO()
    picture.save(out, kind, **options)
    return out.getvalue()


def phone_exif(orientation: int = 6) -> Image.Exif:
    """What a phone writes: turn, model, time, a place and a maker's note."""
    exif = Image.Exif()
    exif[0x0110], exif[0x0112], exif[0x0132] = "Phone B", orientation, "2026:05:04 10:11:12"
    exif.get_ifd(0x8769).update({0x9003: "2026:05:04 10:11:12", 0x927C: b"maker's note"})
    exif.get_ifd(0x8825).update({1: "N", 2: (48.0, 12.0, 30.0), 3: "E", 4: (11.0, 34.0, 0.0)})
    return exif


def draw_noise(seed: int = 1) -> bytes:
    """A small photo like no other."""
    return to_file(Image.frombytes("RGB", (96, 64), random.Random(seed).randbytes(96 * 64 * 3)))


def fix_check_sums(data: bytes) -> bytes:
    """A PNG whose chunks carry their true check sums again, so that the decoder behind them is reached."""
    parts, at = [data[:8]], 8
    while at + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        if at + 12 + length > len(data):
            break
        body = data[at + 4 : at + 8 + length]
        parts.append(data[at : at + 4] + body + struct.pack(">I", zlib.crc32(body)))
        at += 12 + length
    return b"".join(parts) + data[at:]
