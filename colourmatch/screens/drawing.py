"""Draws on a photo what was found in it: markers, windows and glasses with their names; it finds nothing."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from colourmatch.colour.spaces import RGB_TO_XYZ, encode_srgb
from colourmatch.measurement import Drawing
from colourmatch.photo.load import Photo, load_photo

LONG_SIDE_PX = 1400
SPOT_NAMES = {"blank": "water"}
_MARKER, _WINDOW, _GLASS, _DARK = (0, 150, 170), (255, 255, 255), (255, 255, 255), (20, 20, 20)
#: What is wrong is read on a phone: its lines and names are so many times larger.
_FAULT, _LARGE = (255, 120, 60), 2
#: What is wrong at the place that a refusal is about, by its code; a square that was not found is missing.
_FAULTS = {
    "no-card": "no card", "card-small": "card too small", "card-crumpled": "not flat", "two-cards": "two cards",
    "spot-not-in-view": "not in view", "blurred": "blurred", "clipped": "too bright", "too-dark": "too dark",
    "striped-card": "stripes", "empty": "no glass", "glass-outside": "glass outside", "glare-over-window": "reflection",
}  # fmt: skip


def draw_found(source: Path | bytes, drawing: Drawing | None, name: str | None = None) -> bytes:
    """The photo upright in sRGB, at most 1400 px, with outlines and names; JPEG bytes.

    drawing: None draws nothing. PhotoError when the file cannot be read.
    """
    picture = to_srgb_picture(load_photo(source, name))
    if drawing:
        scale, faults = max(picture.size) / max(drawing.size), drawing.faults
        larger = _LARGE if faults else 1

        def draw(outline: Any, colour: Any, name: str = "", *, dashed: bool = False) -> None:
            _outline(picture, scale * np.asarray(outline, float), colour, larger, name, dashed=dashed)

        for number, outline in drawing.markers.items():
            draw(outline, _MARKER, "" if faults else f"square {number}")
        for spot, outline in drawing.glasses.items():
            draw(outline, _GLASS, SPOT_NAMES.get(spot, spot))
        for outline in drawing.windows.values():
            draw(outline, _WINDOW, dashed=True)
        for place, outline in faults.items():
            draw(outline, _FAULT, name_fault(place, drawing.code or ""))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=88)
    return out.getvalue()


def name_fault(place: str, code: str) -> str:
    """What is wrong at a place of a refused photo, in two or three words.

    >>> name_fault("square 3", "spot-not-in-view"), name_fault("batch", "glass-outside"), name_fault("frame", "blurred")
    ('missing', 'batch: glass outside', 'blurred')
    """
    if place.startswith("square"):
        return "missing"
    word = _FAULTS.get(code, "not read")
    return word if place in ("card", "frame") else f"{place}: {word}"


def to_srgb_picture(photo: Photo) -> Image.Image:
    """A loaded photo as an sRGB picture of at most 1400 px, whatever profile it came with."""
    small = Image.fromarray(photo.rgb)
    small.thumbnail((LONG_SIDE_PX, LONG_SIDE_PX), Image.Resampling.BOX)
    codes = np.asarray(small)
    linear = np.stack([photo.profile.decode_table[c][codes[..., c]] for c in range(3)], axis=-1)
    to_srgb = np.linalg.inv(RGB_TO_XYZ["sRGB"]) @ photo.profile.to_xyz
    return Image.fromarray(np.round(encode_srgb(linear @ to_srgb.T) * 255).astype(np.uint8))


def _outline(
    picture: Image.Image, outline: Any, colour: Any, larger: int, name: str = "", *, dashed: bool = False
) -> None:
    """A closed line with a dark edge, so that it shows on any colour, and under it a name on a dark ground."""
    draw, long_side = ImageDraw.Draw(picture), max(picture.size)
    width, size_px = larger * max(2, long_side // 450), larger * max(15, long_side // 52)
    points = [(float(x), float(y)) for x, y in outline]
    ring = [*points, points[0]]
    draw.line(ring, fill=_DARK, width=width + 2, joint="curve")
    for piece in [ring[i : i + 2] for i in range(0, len(ring) - 1, 2)] if dashed else [ring]:
        draw.line(piece, fill=colour, width=width, joint="curve")
    if name:
        font = ImageFont.load_default(size=size_px)
        xs, ys = zip(*points, strict=True)
        room = (draw.textlength(name, font=font) / 2 + 8, size_px)
        at = ((min(xs) + max(xs)) / 2, max(ys) + 0.9 * size_px)
        x, y = np.clip(at, room, np.subtract(picture.size, room)).tolist()
        left, top, right, bottom = draw.textbbox((x, y), name, font=font, anchor="mm")
        draw.rounded_rectangle((left - 6, top - 4, right + 6, bottom + 4), 6, fill=_DARK)
        draw.text((x, y), name, fill=(255, 255, 255), font=font, anchor="mm")
