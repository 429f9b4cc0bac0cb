"""Both glasses cut out of a photo, in the colour that was measured, and what is drawn on one, at the right place."""

import base64
import io
from pathlib import Path

import cv2
import numpy as np
import pytest
from drawn import Light, Phone, Pose, Printer, Scene, drink_transmittance, render_photo, save_photo
from drawn.inks import vary_inks
from known_pictures import to_file
from PIL import Image, ImageDraw

from colourmatch.colour.spaces import lab_to_srgb
from colourmatch.errors import PhotoError
from colourmatch.measurement import Drawing
from colourmatch.photo.load import load_photo
from colourmatch.photo.measure import measure_photo
from colourmatch.photo.quality import FLAGS
from colourmatch.screens import drawing
from colourmatch.screens.drawing import cut_liquids, draw_found, draw_measuring


def to_codes(lab: list[float]) -> np.ndarray:
    return lab_to_srgb(lab)[0].astype(float)


def test_each_cut_has_the_colour_that_was_measured(photos):
    photo, measured = load_photo(photos[1]), measure_photo(photos[1])
    colours = {name: spot.lab.tolist() for name, spot in measured.spots.items()}
    cut = cut_liquids(photo, measured.drawing, colours)
    assert set(cut) == {"reference", "batch"}  # the water is no part of the pair
    for name, pixels in cut.items():
        assert pixels.shape == (drawing.SIDE_PX, drawing.SIDE_PX, 3)
        middle = np.median(pixels[90:-90, 90:-90].reshape(-1, 3), axis=0)
        assert np.abs(middle - to_codes(colours[name])).max() <= 2
        assert pixels.astype(float).std(axis=(0, 1)).max() < 12  # liquid to its edges, no rim and no paper
    del colours["reference"]  # nothing is cut of a liquid without a colour
    assert set(cut_liquids(photo, measured.drawing, colours)) == {"batch"}


@pytest.mark.parametrize(
    ("inks", "offset_mm"), [(None, 9.0), (None, -9.0), (vary_inks(np.random.default_rng(11)), 2.0)]
)
def test_a_glass_off_its_middle_is_cut_inside_the_bare_liquid(tmp_path, inks, offset_mm):
    """Neither the rim nor the bars nor, on the colour card, its fields."""
    reference, batch = (drink_transmittance({"E129": mg}) for mg in (6.0, 3.0))
    scene = Scene(reference, batch, offsets_mm={"reference": (2.0, offset_mm), "batch": (-2.0, offset_mm)})
    pose = Pose(fill=0.85, width_px=1600, height_px=1200)
    drawn = render_photo(scene, Phone(), Light(), pose, seed=3, printer=Printer(inks=inks))
    path = save_photo(drawn, tmp_path / "off.jpg")
    measured = measure_photo(path)
    colours = {name: spot.lab.tolist() for name, spot in measured.spots.items()}
    for pixels in cut_liquids(load_photo(path), measured.drawing, colours).values():
        smooth = cv2.blur(pixels.astype(float), (45, 45))  # its grain is no edge
        assert np.ptp(smooth, axis=(0, 1)).max() < 12


def test_without_the_card_s_squares_it_is_cut_along_the_window(tmp_path):
    picture = Image.new("RGB", (800, 600), "white")
    draw = ImageDraw.Draw(picture)
    draw.rectangle((100, 200, 300, 400), fill=(200, 80, 60))
    draw.rectangle((500, 200, 700, 400), fill=(220, 150, 130))
    picture.save(tmp_path / "plain.png")
    windows = {"reference": [[120, 220], [280, 220], [280, 380], [120, 380]],
               "batch": [[520, 220], [680, 220], [680, 380], [520, 380]]}  # fmt: skip
    lab = {"reference": [50.0, 46.0, 34.0], "batch": [70.0, 24.0, 20.0]}
    cut = cut_liquids(load_photo(tmp_path / "plain.png"), Drawing([800, 600], windows=windows), lab)
    for name, pixels in cut.items():
        assert np.abs(pixels.astype(float) - to_codes(lab[name])).max() <= 2


@pytest.mark.parametrize("data", [b"", b"no photo at all"])
def test_a_photo_that_cannot_be_shown_is_measured_behind_the_bar_alone(data):
    assert "Measuring" in draw_measuring(data) and "base64" not in draw_measuring(data)


def test_a_photo_is_shown_upright_while_it_is_measured():
    picture = Image.new("RGB", (90, 60))
    exif = picture.getexif()
    exif[0x0112] = 6  # taken upright, kept lying
    shown = draw_measuring(to_file(picture, exif=exif)).partition("base64,")[2].partition('"')[0]
    assert Image.open(io.BytesIO(base64.b64decode(shown))).size == (60, 90)


def test_outlines_lie_where_the_measurement_says_and_nothing_without_one(tmp_path):
    photo = tmp_path / "grey.png"
    Image.new("RGB", (2800, 2100), (128, 128, 128)).save(photo)
    square = [[1000, 600], [1800, 600], [1800, 1400], [1000, 1400]]
    drawn = Image.open(io.BytesIO(draw_found(photo, Drawing([2800, 2100], {"3": square}))))
    assert drawn.size == (drawing.LONG_SIDE_PX, 1050)
    changed = np.argwhere(np.abs(np.asarray(drawn, int) - 128).max(axis=2) > 60)
    top, left = changed.min(axis=0)
    assert abs(left - 500) <= 3 and abs(top - 300) <= 3
    photo = tmp_path / "grey.png"
    Image.new("RGB", (200, 100), (90, 120, 150)).save(photo)
    drawn = np.asarray(Image.open(io.BytesIO(draw_found(photo, None))), int)
    assert np.abs(drawn - [90, 120, 150]).max() <= 3
    with pytest.raises(PhotoError, match="not a readable photo"):
        draw_found(b"no photo at all", None)


def test_a_fault_is_drawn_where_it_lies_and_has_its_words():
    path = Path(__file__).parents[1] / "photos" / "bad-half-card.jpg"
    with pytest.raises(PhotoError) as caught:
        measure_photo(path)
    seen = caught.value.seen
    assert seen is not None
    files = [draw_found(path, one) for one in (seen.having(faults={}), seen)]
    plain, drawn = (np.asarray(Image.open(io.BytesIO(file)), int) for file in files)
    changed = np.argwhere(np.abs(plain - drawn).max(axis=-1) > 40)
    ring = np.array(seen.faults["reference"]) * max(plain.shape) / max(seen.size)
    near = np.linalg.norm(changed[:, None, ::-1] - ring[None], axis=-1).min(axis=0)
    assert near.max() < 6 and (changed < plain.shape[:2]).all()
    refusals = {code for code, (severity, _) in FLAGS.items() if severity == "refuse"} - {"unreadable"}
    assert refusals and all(drawing.name_fault("card", code) != "not read" for code in refusals)
