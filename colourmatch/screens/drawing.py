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
        pen = _Pen(picture, _LARGE if faults else 1)
        for number, outline in drawing.markers.items():
            pen.outline(_scaled(outline, scale), _MARKER, "" if faults else f"square {number}")
        for spot, outline in drawing.glasses.items():
            pen.outline(_scaled(outline, scale), _GLASS, SPOT_NAMES.get(spot, spot))
        for outline in drawing.windows.values():
            pen.outline(_scaled(outline, scale), _WINDOW, dashed=True)
        for place, outline in faults.items():
            pen.outline(_scaled(outline, scale), _FAULT, name_fault(place, drawing.code or ""))
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


def _scaled(outline: Any, scale: float) -> list[tuple[float, float]]:
    return [(float(x) * scale, float(y) * scale) for x, y in outline]


class _Pen:
    """Lines with a dark edge, so that they show on any colour, and names on a dark ground."""

    def __init__(self, picture: Image.Image, larger: int = 1) -> None:
        self.draw, self.size = ImageDraw.Draw(picture), picture.size
        self.width = larger * max(2, max(picture.size) // 450)
        self.size_px = larger * max(15, max(picture.size) // 52)
        self.font = ImageFont.load_default(size=self.size_px)

    def outline(
        self, points: list[tuple[float, float]], colour: Any, name: str = "", *, dashed: bool = False
    ) -> None:
        """A closed line, and a name under it."""
        ring = [*points, points[0]]
        self.draw.line(ring, fill=_DARK, width=self.width + 2, joint="curve")
        pieces = [ring[i : i + 2] for i in range(0, len(ring) - 1, 2)] if dashed else [ring]
        for piece in pieces:
            self.draw.line(piece, fill=colour, width=self.width, joint="curve")
        if name:
            xs, ys = zip(*points, strict=True)
            width, height = self.draw.textlength(name, font=self.font) / 2 + 8, self.size_px
            most = np.subtract(self.size, (width, height))
            at = np.clip(((min(xs) + max(xs)) / 2, max(ys) + 0.9 * self.size_px), (width, height), most)
            place = (float(at[0]), float(at[1]))
            left, top, right, bottom = self.draw.textbbox(place, name, font=self.font, anchor="mm")
            self.draw.rounded_rectangle((left - 6, top - 4, right + 6, bottom + 4), 6, fill=_DARK)
            self.draw.text(place, name, fill=(255, 255, 255), font=self.font, anchor="mm")
