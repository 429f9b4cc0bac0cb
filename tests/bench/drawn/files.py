"""Writes a simulated photo as a phone would: JPEG, HEIC or PNG with profile, orientation and model name.

It knows file formats only. The Display P3 profile is built here from the primaries, because no profile of
that name may be copied from a device.
"""

from __future__ import annotations

import io
import struct
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageCms

from colourmatch.colour.spaces import PRIMARIES_XY, WHITE_D65_XYZ, adaptation_matrix, primaries_to_matrix
from colourmatch.files import replace_whole
from drawn.settings import Rendered

#: What has to be done to the upright picture so that its orientation tag turns it back (EXIF tag 0x0112).
_STORE = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}
_KINDS = {".jpg": "JPEG", ".jpeg": "JPEG", ".heic": "HEIF", ".heif": "HEIF", ".png": "PNG"}
_WHITE_D50_XYZ = np.array([0.9642, 1.0, 0.8249])


def _fixed(values: object) -> bytes:
    return b"".join(struct.pack(">i", round(float(v) * 65536)) for v in np.ravel(np.asarray(values, float)))


def _text(text: str) -> bytes:
    coded = text.encode("utf-16-be")
    return b"mluc" + struct.pack(">IIIHHII", 0, 1, 12, 0x656E, 0x5553, len(coded), 28) + coded


@cache
def display_p3_profile() -> bytes:
    """An ICC v4 matrix profile of Display P3: P3 primaries, D65, the sRGB curve, adapted to D50 by Bradford.

    Sources: ICC.1:2010; SMPTE EG 432-1:2010 (primaries); IEC 61966-2-1:1999 (curve).
    """
    adapt = adaptation_matrix(WHITE_D65_XYZ, _WHITE_D50_XYZ)
    columns = (adapt @ primaries_to_matrix(PRIMARIES_XY["Display P3"])).T
    curve = b"para" + struct.pack(">IHH", 0, 3, 0) + _fixed([2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045])
    tags = {
        b"desc": _text("Display P3"),
        b"cprt": _text("No copyright, use freely"),
        b"wtpt": b"XYZ " + bytes(4) + _fixed(_WHITE_D50_XYZ),
        b"chad": b"sf32" + bytes(4) + _fixed(adapt),
        **{name: b"XYZ " + bytes(4) + _fixed(c) for name, c in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns, strict=True)},
        **dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve),
    }
    table, body, start = b"", b"", 128 + 4 + 12 * len(tags)
    for name, data in tags.items():
        table += name + struct.pack(">II", start + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    header = struct.pack(">I4sI4s4s4s", start + len(body), bytes(4), 0x04300000, b"mntr", b"RGB ", b"XYZ ")
    header += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp" + bytes(28) + _fixed(_WHITE_D50_XYZ)
    return header.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


@cache
def _srgb_profile() -> bytes:
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def save_photo(rendered: Rendered, path: str | Path, *, quality: int = 92, exif_orientation: int = 1) -> Path:
    """Writes the photo in the format of its suffix and returns the path; the rest is as for `encode_photo`."""
    path = Path(path)
    data = encode_photo(rendered, path.suffix, quality=quality, exif_orientation=exif_orientation)
    with replace_whole(path, sync=False) as stream:
        stream.write(data)
    return path


def encode_photo(rendered: Rendered, suffix: str = ".jpg", *, quality: int = 92, exif_orientation: int = 1) -> bytes:
    """The photo as a file of a suffix: .jpg, .jpeg, .heic, .heif or .png.

    exif_orientation 1 to 8: the pixels are stored turned so that a reader who heeds the tag sees it upright.
    Raises ValueError for another suffix or orientation.
    """
    if exif_orientation not in range(1, 9):
        raise ValueError(f"exif_orientation must be 1 to 8, got {exif_orientation}")
    image = Image.fromarray(rendered.rgb)
    if exif_orientation in _STORE:
        image = image.transpose(_STORE[exif_orientation])
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Simulated", rendered.model, exif_orientation
    options: dict[str, Any] = {
        "exif": exif.tobytes(),
        "icc_profile": display_p3_profile() if rendered.gamut == "p3" else _srgb_profile(),
    }
    kind = _KINDS.get(suffix.lower())
    if kind is None:
        raise ValueError(f"the file must end in .jpg, .heic or .png, got {suffix!r}")
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    out = io.BytesIO()
    image.save(out, kind, **options, **({"compress_level": 3} if kind == "PNG" else {"quality": quality}))
    return out.getvalue()
