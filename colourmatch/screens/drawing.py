"""What is drawn of a photo: markers, windows and glasses as they were found, or both glasses cut out and edge to edge, each
in the colour that was measured in its window; it finds nothing."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import streamlit as st
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont, ImageOps

from colourmatch.book.entries import LotStory, PhotoEntry
from colourmatch.colour.spaces import RGB_TO_XYZ, encode_srgb, lab_to_hex, lab_to_xyz
from colourmatch.errors import ColourMatchError
from colourmatch.measurement import LIQUIDS, Drawing, Measurement
from colourmatch.photo.load import Photo, load_photo
from colourmatch.records import Array
from colourmatch.screens import html, session

LONG_SIDE_PX = 1400
_TO_SRGB = np.linalg.inv(RGB_TO_XYZ["sRGB"])
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


def draw_found(source: Path | str | bytes, drawing: Drawing | None, name: str | None = None) -> bytes:
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
    return as_jpeg(picture, 88)


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
    return Image.fromarray(_encode(_to_linear(photo, np.asarray(small))))


def _to_linear(photo: Photo, codes: Any) -> Any:
    """Pixels of a photo in linear light of sRGB's primaries."""
    return photo.to_linear(codes) @ (_TO_SRGB @ photo.profile.to_xyz).T


def _encode(linear: Any) -> NDArray[np.uint8]:
    return np.round(encode_srgb(linear) * 255).astype(np.uint8)


def as_jpeg(picture: Image.Image, quality: int) -> bytes:
    out = io.BytesIO()
    picture.convert("RGB").save(out, "JPEG", quality=quality)
    return out.getvalue()


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


# ---- both glasses, cut out ---------------------------------------------------------------------------------------

Lab = Sequence[float]
#: A side of one cut-out in pixels, and the part of a glass inside its rim that shows no wall.
SIDE_PX, OF_GLASS = 360, 0.85


def cut_liquids(photo: Photo, drawing: Drawing, colours: Mapping[str, Lab]) -> dict[str, NDArray[np.uint8]]:
    """Each liquid of a photo as an sRGB cut-out, (SIDE_PX, SIDE_PX, 3) of 8 bits; colours: the measured Lab of each."""
    scale, cut = photo.rgb.shape[1] / drawing.size[0], {}
    for name in LIQUIDS:
        if name in colours and name in drawing.windows:
            (left, top), (right, bottom) = np.round(scale * _find_square(drawing, name)).astype(int)
            bare = photo.rgb[top : bottom + 1, left : right + 1]
            if bare.size:  # an old record may name what lies outside
                even = cv2.resize(bare, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA)
                cut[name] = _balance(photo, even, colours[name])
    return cut


def _find_square(drawing: Drawing, name: str) -> Array:
    """Two corners in full-size pixels, (2, 2), of the largest upright square in a liquid's window, clear of the wall."""
    window = np.asarray(drawing.windows[name], float)
    origin, (width, height) = window.min(axis=0) - 1, np.ceil(np.ptp(window, axis=0)).astype(int) + 3

    def fill(outline: Array) -> Any:
        return cv2.fillConvexPoly(np.zeros((height, width), np.uint8), (outline - origin).round().astype(np.int32), 1)

    bare = fill(window)
    if name in drawing.glasses:
        rim = np.asarray(drawing.glasses[name], float)
        inside = bare & fill(rim.mean(axis=0) + OF_GLASS * (rim - rim.mean(axis=0)))
        bare = inside if inside.any() else bare
    reach = cv2.distanceTransform(bare, cv2.DIST_C, 3)
    row, column = np.unravel_index(reach.argmax(), reach.shape)
    middle, half = origin + np.array([column, row]), reach.max() - 1
    corners: Array = np.clip(np.stack([middle - half, middle + half]), 0, None)
    return corners


def _balance(photo: Photo, codes: Any, lab: Lab) -> NDArray[np.uint8]:
    """A cut-out in sRGB whose middle has the measured colour."""
    linear = np.clip(_to_linear(photo, codes), 0, None)
    part = slice(SIDE_PX // 4, -SIDE_PX // 4)
    middle = np.median(linear[part, part].reshape(-1, 3), axis=0)
    aim = np.clip(lab_to_xyz(lab) @ _TO_SRGB.T, 0, 1)
    return _encode(np.clip(linear * aim / np.maximum(middle, 1e-4), 0, 1))


@st.cache_data(show_spinner=False, max_entries=24)
def _cut(source: str | bytes, drawing: Drawing, colours: Mapping[str, Lab]) -> dict[str, str]:
    """Each liquid as the address of a picture."""
    found = cut_liquids(load_photo(source), drawing, colours)
    return {name: html.as_address(as_jpeg(Image.fromarray(pixels), 86), "jpeg") for name, pixels in found.items()}


def draw_pair(story: LotStory, photo: PhotoEntry | None, *, changed: bool) -> str:
    """Reference and batch of a photo, a field of the measured colour where there is no picture; before it the card.

    changed: the batch has been changed since.
    """
    if photo is None:
        return f'<div class="cm cm-pair card">{html.picture_of_card()}</div>'
    name = photo.stored_name
    source = None if name is None else str(session.current_book().photo_store.path(name))
    batch = "Batch before" if changed else "Batch"
    return draw_reading(source, photo.measurement, story.lot.target_lab, kind="", batch=batch)


def draw_reading(
    source: str | bytes | None,
    measured: Measurement,
    reference: Lab | None = None,
    *,
    kind: str = " reading",
    batch: str = "Batch",
) -> str:
    """Reference and batch of a measured photo, a path or its bytes; reference: its colour where the photo shows none."""
    colours: dict[str, Lab] = {} if reference is None else {"reference": list(reference)}
    colours |= {name: spot.lab.tolist() for name in LIQUIDS if (spot := measured.spots.get(name))}
    pictures: Mapping[str, str] = {}
    if source is not None and measured.drawing:
        with suppress(ColourMatchError):  # the file is gone: Details say so
            pictures = _cut(source, measured.drawing, colours)
    halves = []
    for name, word in (("reference", "Reference"), ("batch", batch)):  # the cut-out, or the plain colour
        colour = lab_to_hex(colours[name]) if name in colours else "transparent"
        seen = f'<img alt="{name.capitalize()} in the last photo" src="{{}}">'
        inside = seen.format(pictures[name]) if name in pictures else ""
        halves.append(f'<div style="background:{colour}">{inside}<span>{word}</span></div>')
    return f'<div class="cm cm-pair{kind}">{"".join(halves)}</div>'


def draw_measuring(data: bytes) -> str:
    """A photo that is being measured, in the place of the pair; nothing but the moving bar where it cannot be shown."""
    try:
        picture: Any = Image.open(io.BytesIO(data))
        picture.draft("RGB", (800, 800))
        picture = ImageOps.exif_transpose(picture)
        picture.thumbnail((800, 800))
        shown = f'<img alt="the photo that is measured" src="{html.as_address(as_jpeg(picture, 86), "jpeg")}">'
    except Exception:  # whatever cannot be read here is refused by the measurement with its sentence
        shown = ""
    return f'<div class="cm cm-pair measuring"><div>{shown}<span role="status">Measuring …</span><i></i></div></div>'
