"""A picture on which rectangles are drawn with finger, mouse or keys, as a field of a page; it measures nothing. No
kept library does this for a finger and for keys: it is two static files in picker_parts/, and fetches nothing from
elsewhere."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import streamlit as st

from colourmatch.photo.load import load_photo
from colourmatch.screens.drawing import to_srgb_picture
from colourmatch.screens.html import as_address

#: name -> what it is called, and where it is to be drawn
LABELS = {"white": "White", "reference": "Reference", "batch": "Batch"}
WHERE = {
    "white": "bare white paper or the grey card",
    "reference": "the reference liquid",
    "batch": "the batch",
}
#: The picture is sent to the browser no larger than this.
_LONG_SIDE_PX = 1100
_FOLDER = Path(__file__).parent / "picker_parts"

Box = list[float | None]

_field = st.components.v2.component(
    "colourmatch_rectangle_field",
    css=(_FOLDER / "field.css").read_text("utf-8"),
    js=(_FOLDER / "field.js").read_text("utf-8"),
)


@st.cache_data(show_spinner=False, max_entries=8)
def prepare_picture(data: bytes, name: str) -> tuple[str, tuple[int, int]]:
    """A photo upright and small as an address of its content, and its full size; PhotoError when it cannot be read."""
    photo = load_photo(data, name)
    picture = to_srgb_picture(photo)
    picture.thumbnail((_LONG_SIDE_PX, _LONG_SIDE_PX))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=82)
    return as_address(out.getvalue(), "jpeg"), photo.full_size


def show_field(
    key: str,
    picture: tuple[str, tuple[int, int]],
    boxes: Mapping[str, Box],
    state: Mapping[str, Any],
    on_picked: Callable[[Mapping[str, Any]], None],
) -> None:
    """Show the picture with its rectangles; `on_picked` gets what the person drew: rectangles, active, count.

    state: active, the rectangle to draw next; count, that of the last drawing heard of; photo, what tells one picture
    from the next; alt, words for those who do not see it.
    """

    def hear() -> None:
        picked = st.session_state[key].get("picked")
        if picked:
            on_picked(picked)

    image, size = picture
    data = {
        "image": image, "size": list(size), "labels": LABELS, "where": WHERE, **state,
        "rectangles": {name: box if is_whole(box) else None for name, box in boxes.items()},
    }  # fmt: skip
    _field(key=key, data=data, on_picked_change=hear)


def is_whole(box: Sequence[float | None] | None) -> bool:
    """Whether a rectangle has all its four numbers."""
    return box is not None and len(box) == 4 and all(v is not None for v in box)


def take_boxes(sent: object, size: tuple[int, int]) -> dict[str, Box]:
    """The rectangles that a browser sent, whole numbers inside the photo; what is none is left out."""
    out: dict[str, Box] = {}
    for name in LABELS:
        box = sent.get(name) if isinstance(sent, Mapping) else None
        if not isinstance(box, list | tuple) or len(box) != 4:
            continue
        if all(isinstance(v, int | float) and math.isfinite(v) for v in box) and box[2] > 0 and box[3] > 0:
            out[name] = fit_box(box, size)
    return out


def fit_box(box: Sequence[float], size: tuple[int, int]) -> Box:
    """A rectangle in whole pixels, moved and cut so that it lies inside the photo."""
    width, height = (min(max(round(v), 1), most) for v, most in zip(box[2:], size, strict=True))
    x, y = (
        min(max(round(v), 0), most - long)
        for v, most, long in zip(box[:2], size, (width, height), strict=True)
    )
    return [float(x), float(y), float(width), float(height)]


def carry_boxes(boxes: Mapping[str, Box], old: tuple[int, int], new: tuple[int, int]) -> dict[str, Box]:
    """The rectangles of one photo for the next one of the same scene, whatever its size."""
    scale = (new[0] / old[0], new[1] / old[1]) * 2
    return {
        name: fit_box([v * s for v, s in zip(box, scale, strict=True)], new)  # type: ignore[operator]
        for name, box in boxes.items()
        if is_whole(box)
    }
