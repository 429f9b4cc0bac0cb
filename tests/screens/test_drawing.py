"""Drawing on a photo: upright, small, and at the right place."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from colourmatch.errors import PhotoError
from colourmatch.photo.measure import measure_photo
from colourmatch.photo.quality import FLAGS
from colourmatch.screens.drawing import LONG_SIDE_PX, draw_found, name_fault


def test_outlines_lie_where_the_measurement_says(tmp_path: Path) -> None:
    photo = tmp_path / "grey.png"
    Image.new("RGB", (2800, 2100), (128, 128, 128)).save(photo)
    square = [[1000, 600], [1800, 600], [1800, 1400], [1000, 1400]]
    drawn = Image.open(io.BytesIO(draw_found(photo, {"size": [2800, 2100], "markers": {"3": square}})))
    assert drawn.size == (LONG_SIDE_PX, 1050)
    changed = np.argwhere(np.abs(np.asarray(drawn, int) - 128).max(axis=2) > 60)
    top, left = changed.min(axis=0)
    assert abs(left - 500) <= 3 and abs(top - 300) <= 3


def test_nothing_is_drawn_without_a_drawing_and_a_file_that_is_no_photo_is_refused(tmp_path: Path) -> None:
    photo = tmp_path / "grey.png"
    Image.new("RGB", (200, 100), (90, 120, 150)).save(photo)
    drawn = np.asarray(Image.open(io.BytesIO(draw_found(photo, None))), int)
    assert np.abs(drawn - [90, 120, 150]).max() <= 3
    with pytest.raises(PhotoError, match="not a readable photo"):
        draw_found(b"no photo at all", None)


def test_a_fault_is_drawn_where_it_lies_and_its_name_stays_inside() -> None:
    path = Path(__file__).parents[1] / "photos" / "bad-half-card.jpg"
    with pytest.raises(PhotoError) as caught:
        measure_photo(path)
    seen = caught.value.seen
    assert seen is not None
    plain, drawn = (
        np.asarray(Image.open(io.BytesIO(draw_found(path, one))), int)
        for one in ({**seen, "faults": {}}, seen)
    )
    changed = np.argwhere(np.abs(plain - drawn).max(axis=-1) > 40)
    ring = np.array(seen["faults"]["reference"]) * max(plain.shape) / max(seen["size"])
    near = np.linalg.norm(changed[:, None, ::-1] - ring[None], axis=-1).min(axis=0)
    assert near.max() < 6 and (changed < plain.shape[:2]).all()


def test_each_refusal_of_a_readable_photo_has_its_words() -> None:
    refusals = {code for code, (severity, _) in FLAGS.items() if severity == "refuse"} - {"unreadable"}
    assert refusals and all(name_fault("card", code) != "not read" for code in refusals)
