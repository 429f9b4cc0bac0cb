"""What files cost that are made to cost much: seconds, memory, and what the decoders print, each in a process of its own.

Run it by hand: `.venv/bin/python tests/bench/bench_hostile_photos.py [NAME]`. Each file is read and kept as a photo that
comes in; more than 10 s of processor time (others may use the machine too), more than 1 GB, or a word on the terminal that is not the refusal is a fault.
"""

from __future__ import annotations

import io
import os
import struct
import subprocess
import sys
import tempfile
import time
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from PIL import Image

MOST_S, MOST_MB = 10.0, 1000
_CHILD = """
import resource, sys, time
from pathlib import Path
from colourmatch.book.photo_store import PhotoStore, open_source
from colourmatch.errors import ColourMatchError
from colourmatch.photo.load import load_photo
path, said = Path(sys.argv[1]), []
begun, words = time.process_time(), []
store = PhotoStore(path.parent / "kept")
for act in (load_photo, lambda photo: store.keep(open_source(photo)[0])):
    try:
        act(path)
        words.append("taken")
    except ColourMatchError as error:
        words.append(str(error)[:60])
print(round(time.process_time() - begun, 2), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, " | ".join(words))
"""


def save(picture: Image.Image, kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **options)
    return out.getvalue()


def flat(width: int, height: int) -> Image.Image:
    return Image.new("RGB", (width, height), (200, 120, 60))


def noise(side: int) -> Image.Image:
    return Image.fromarray(np.random.default_rng(1).integers(0, 255, (side, side, 3), np.uint8))


def damaged_tiff(compression: str) -> bytes:
    data = bytearray(save(noise(400), "TIFF", compression=compression))
    for place in range(2000, len(data) - 2000, 997):
        data[place : place + 40] = bytes(40)
    return bytes(data)


def small_jpeg(**options: object) -> bytes:
    return save(Image.effect_noise((640, 480), 60).convert("RGB"), "JPEG", **options)


def scans(count: int, side: int) -> bytes:
    """A progressive JPEG whose last scan comes again and again."""
    data = save(flat(side, side), "JPEG", progressive=True)
    last = data.rindex(b"\xff\xda")
    return data[:last] + data[last:-2] * count + b"\xff\xd9"


def segments(marker: int, body: bytes, count: int) -> bytes:
    data = small_jpeg()
    one = b"\xff" + bytes([marker]) + struct.pack(">H", 2 + len(body)) + body
    return data[:2] + one * count + data[2:]


def tables(count: int) -> bytes:
    """The same quantisation table again and again."""
    data = small_jpeg()
    start = data.index(b"\xff\xdb")
    size = 2 + int.from_bytes(data[start + 2 : start + 4], "big")
    return data[:start] + data[start : start + size] * count + data[start + size :]


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png_of_chunks(kind: bytes, body: bytes, count: int) -> bytes:
    data = save(flat(640, 480), "PNG")
    return data[:33] + chunk(kind, body) * count + data[33:]


def png_of_crumbs() -> bytes:
    noise = Image.fromarray(np.random.default_rng(1).integers(0, 255, (1200, 1200, 3), np.uint8))
    data = save(noise, "PNG", compress_level=0)
    body, place = b"", 33
    while place < len(data) - 12:
        (size,) = struct.unpack_from(">I", data, place)
        body += data[place + 8 : place + 8 + size]
        place += 12 + size
    crumbs = b"".join(chunk(b"IDAT", body[k : k + 1]) for k in range(0, len(body)))
    return data[:33] + crumbs + data[-12:]


def png_bomb(width: int, height: int, interlaced: int = 0) -> bytes:
    rows = zlib.compressobj(9)
    body = b"".join(rows.compress(bytes(1 + 3 * width)) for _ in range(height)) + rows.flush()
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, interlaced)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def tiff_with_long_tag(tag: int, kind: int, size: int) -> bytes:
    """A TIFF of few pixels with one tag of `size` bytes."""
    width = {5: 8, 3: 2, 4: 4, 2: 1}[kind]
    tags = [
        (256, 3, 1, 64),
        (257, 3, 1, 64),
        (258, 3, 1, 8),
        (259, 3, 1, 1),
        (262, 3, 1, 1),
        (273, 4, 1, 400),
    ]
    tags += [(278, 3, 1, 64), (279, 4, 1, 4096), (tag, kind, size // width, 5000)]
    rows = b"".join(struct.pack("<HHII", *row) for row in sorted(tags))
    head = b"II*\0" + struct.pack("<IH", 8, len(tags)) + rows + bytes(4)
    return head.ljust(5000, b"\x40") + b"\1" * size


def heif(width: int, height: int) -> bytes:
    import pillow_heif

    pillow_heif.register_heif_opener()
    return save(flat(width, height), "HEIF", quality=20)


def gif_of_comments(size: int) -> bytes:
    data = save(flat(64, 64), "GIF")
    place = data.index(b"\x2c", 13 + 3 * 2 ** ((data[10] & 7) + 1))
    return data[:place] + b"\x21\xfe\x01A\x00" * (size // 5) + data[place:]


def bmp_of_runs(side: int) -> bytes:
    body = b"\x01\x07" * (side * side) + b"\0\1"
    head = struct.pack("<IiiHHIIiiII", 40, side, side, 1, 8, 1, len(body), 0, 0, 256, 0)
    return b"BM" + struct.pack("<IHHI", 54 + 1024 + len(body), 0, 0, 54 + 1024) + head + bytes(1024) + body


FILES: dict[str, Callable[[], bytes]] = {
    "jpeg, 5,000 scans": lambda: scans(5000, 2000),
    "jpeg, 60 scans of 64 MP": lambda: scans(60, 8000),
    "jpeg, 12 scans of 150 MP": lambda: scans(1, 12_200),
    "jpeg, 6 scans of 99 MP": lambda: scans(0, 9950),
    "jpeg, 60 scans of 9 MP": lambda: scans(50, 3000),
    "jpeg, 250 MP in one scan": lambda: save(flat(15_800, 15_800), "JPEG"),
    "jpeg, 60 MB of Exif segments": lambda: segments(0xE1, b"Exif\0\0" + bytes(65_000), 920),
    "jpeg, 60 MB of XMP segments": lambda: segments(0xE1, b"http://ns.adobe.com/xap/1.0/\0" + bytes(65_000), 920),
    "jpeg, 60 MB of profile segments": lambda: segments(0xE2, b"ICC_PROFILE\0\1\1" + bytes(65_000), 920),
    "jpeg, 60 MB of remarks": lambda: segments(0xFE, bytes(65_000), 920),
    "jpeg, 10 million empty segments": lambda: segments(0xFE, b"", 10_000_000),
    "jpeg, 500,000 tables": lambda: tables(500_000),
    "jpeg, ends early": lambda: small_jpeg()[:9000],
    "jpeg, ends early with an end mark": lambda: small_jpeg()[:9000] + b"\xff\xd9",
    "jpeg, ends early before a film": lambda: small_jpeg()[:9000] + b"ftypmp42" + bytes(90_000) + b"\xff\xd9",
    "png, 204 MP of nothing": lambda: png_bomb(14_280, 14_280),
    "png, 250 MP of nothing": lambda: png_bomb(15_800, 15_800),
    "png, 100 MP, interlaced": lambda: png_bomb(10_000, 10_000, 1),
    "png, 4 million chunks": lambda: png_of_chunks(b"tEXt", b"a\0b", 4_000_000),
    "png, 4 million empty chunks": lambda: png_of_chunks(b"prVt", b"", 4_000_000),
    "png, 4 million crumbs of picture": png_of_crumbs,
    "png, text of 1 GB": lambda: png_of_chunks(b"zTXt", b"a\0\0" + zlib.compress(bytes(10**9)), 1),
    "png, profile of 1 GB": lambda: png_of_chunks(b"iCCP", b"a\0\0" + zlib.compress(bytes(10**9)), 1),
    "tiff, 60 MB of fractions": lambda: tiff_with_long_tag(282, 5, 60_000_000),
    "tiff, 60 MB of short numbers": lambda: tiff_with_long_tag(272, 3, 60_000_000),
    "tiff, 60 MB of strips": lambda: tiff_with_long_tag(330, 4, 60_000_000),
    "tiff, 204 MP of nothing": lambda: save(flat(14_280, 14_280), "TIFF", compression="tiff_lzw"),
    "tiff, 250 MP of nothing": lambda: save(flat(15_800, 15_800), "TIFF", compression="tiff_lzw"),
    "tiff, deflated, 250 MP of nothing": lambda: save(flat(15_800, 15_800), "TIFF", compression="tiff_adobe_deflate"),
    "tiff, damaged strips": lambda: damaged_tiff("tiff_lzw"),
    "tiff, damaged deflated strips": lambda: damaged_tiff("tiff_adobe_deflate"),
    "tiff, damaged jpeg strips": lambda: damaged_tiff("jpeg"),
    "heic, 108 MP": lambda: heif(10_400, 10_400),
    "webp, 47 MP": lambda: save(flat(6900, 6900), "WEBP"),
    "avif, 47 MP": lambda: save(flat(6900, 6900), "AVIF", speed=10),
    "jpeg 2000, 47 MP": lambda: save(noise(6900), "JPEG2000"),
    "gif, 60 MB of remarks": lambda: gif_of_comments(60_000_000),
    "bmp, 60 MB of runs": lambda: bmp_of_runs(5400),
    "ppm, 60 MB of figures": lambda: b"P3 4400 4400 255\n" + b"1 " * (3 * 4400 * 4400),
}  # fmt: skip


def measure(path: Path) -> tuple[float, int, str, str]:
    """Seconds, MB, what became of the file, and what was printed beside that."""
    begun = time.monotonic()
    try:
        done = subprocess.run(
            [sys.executable, "-c", _CHILD, str(path)], capture_output=True, text=True, timeout=90,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return time.monotonic() - begun, 0, "no end", ""
    if done.returncode:
        return time.monotonic() - begun, 0, f"ended with {done.returncode}", done.stderr[-300:]
    seconds, megabytes, told = done.stdout.strip().split(" ", 2)
    return float(seconds), int(megabytes), told, done.stderr.strip()


def run(wanted: str = "") -> Iterator[tuple[str, bool]]:
    with tempfile.TemporaryDirectory() as folder:
        for name in FILES:
            if wanted not in name:
                continue
            path = Path(folder) / "file.jpg"
            subprocess.run([sys.executable, __file__, "--make", name, str(path)], check=True)
            seconds, megabytes, told, printed = measure(path)
            fault = seconds > MOST_S or megabytes > MOST_MB or bool(printed) or told.startswith(("no end", "ended"))
            size = path.stat().st_size / 1e6
            print(
                f"{'FAULT' if fault else 'fits ':5} {name:36} {size:7.1f} MB {seconds:7.2f} s {megabytes:5} MB  {told} {printed[:200]}",
                flush=True,
            )
            yield name, fault


if __name__ == "__main__":
    if sys.argv[1:2] == ["--make"]:  # in a process of its own: a child's peak of memory begins with its parent's
        Path(sys.argv[3]).write_bytes(FILES[sys.argv[2]]())
        sys.exit()
    outcomes = dict(run(*sys.argv[1:2]))
    print(f"{len(outcomes)} files, {sum(outcomes.values())} faults")
    sys.exit(any(outcomes.values()))
