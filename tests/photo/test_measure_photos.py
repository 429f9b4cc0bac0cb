"""Sample photos (tests/photos/truth.json): each gets what it must, and where a refusal fails; then odd photos of the card."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from drawn import Glass
from drawn import demo as drawing
from drawn.demo import draw_demo_photo
from drawn_card import to_jpeg
from known_pictures import to_file
from PIL import Image, ImageEnhance
from processes import run_python

from colourmatch.colour.spaces import decode_srgb, encode_srgb
from colourmatch.errors import PhotoError
from colourmatch.measurement import Measurement
from colourmatch.photo.card import read_card
from colourmatch.photo.measure import measure_or_refuse, measure_photo
from colourmatch.photo.stripes import _SIDE, _depth_of_tones
from colourmatch.simulate.kitchen import Kitchen

TRUTH = json.loads((Path(__file__).parents[1] / "photos" / "truth.json").read_text())["photos"]
WITH_DIFFERENCE = [name for name in TRUTH if name.startswith(("ladder", "ok", "warn"))]
#: photo -> the reason of its refusal
REFUSED = {"bad-blurred.jpg": "blurred", "bad-half-card.jpg": "spot-not-in-view"}
REFUSED["bad-no-card.jpg"] = "no-card"
REFUSED |= {f"bad-{name}": "unreadable" for name in ("truncated.jpg", "empty.jpg", "text.jpg")}


@pytest.fixture(scope="module")
def measured(sample_photos: Path) -> dict[str, Any]:
    """All sample photos by one call, which measures them on all cores; the sound ones make it exit 0."""
    done = run_python("-m", "colourmatch", "measure", "--json", *(sample_photos / name for name in TRUTH))
    assert done.returncode == 0, done.stderr
    photos = json.loads(done.stdout)["photos"]
    assert [photo["photo"] for photo in photos] == list(TRUTH)
    assert all(f"Photo {k} of {len(TRUTH)}" in done.stderr for k in range(1, len(TRUTH) + 1))
    return {photo["photo"]: photo for photo in photos}


@pytest.mark.parametrize("name", WITH_DIFFERENCE)
def test_the_true_difference_lies_inside_the_interval(measured, name):
    figure = measured[name]["delta_e_2000"]
    assert figure["low"] <= TRUTH[name]["delta_e_2000"] <= figure["high"]
    assert measured[name]["error"] is None


@pytest.mark.parametrize("name", [name for name in TRUTH if name.startswith("ladder")])
def test_colours_lie_within_their_uncertainty(measured, name):
    for spot, truth in TRUTH[name]["spots"].items():
        colour = measured[name]["spots"][spot]
        for said, sd, true in zip(colour["lab"], colour["lab_sd"], truth["lab"], strict=True):
            assert abs(said - true) <= 3 * sd  # 3 standard deviations of an absolute colour


def test_a_ladder_of_additions_falls_from_photo_to_photo(measured):
    values = [measured[f"ladder1-{k}.jpg"]["delta_e_2000"]["value"] for k in range(6)]
    assert values == sorted(values, reverse=True)


@pytest.mark.parametrize(("name", "code"), REFUSED.items())
def test_a_photo_that_cannot_be_measured_is_refused_with_its_reason(measured, name, code):
    photo = measured[name]
    refusals = [flag for flag in photo["quality"] if flag["severity"] == "refuse"]
    assert code in {flag["code"] for flag in refusals}
    assert photo["error"] == refusals[0]["text"]
    assert photo["delta_e_2000"] is None and photo["error"].endswith(".")


PHOTOS = Path(__file__).parents[1] / "photos"


def refused(data: bytes) -> PhotoError:
    with pytest.raises(PhotoError) as caught:
        measure_photo(data, "photo.jpg")
    return caught.value


def changed(share: tuple[float, float] = (0.0, 1.0), brightness: float = 1.0) -> bytes:
    """A good photo cut to a share of its width, and darker or brighter."""
    with Image.open(PHOTOS / "ladder1-2.jpg") as photo:
        width, height = photo.size
        part = photo.crop((int(share[0] * width), 0, int(share[1] * width), height))
    return to_file(ImageEnhance.Brightness(part).enhance(brightness), quality=92)


def test_a_card_that_is_cut_off_shows_what_is_missing_along_the_edge():
    error = refused(changed((0.33, 1.0)))
    assert (error.code, error.spot) == ("spot-not-in-view", "reference") and error.seen
    found, faults = set(error.seen.markers), error.seen.faults
    missing = {str(i) for i in read_card().marker_centres_mm} - found
    assert found and set(faults) == {"reference", *(f"square {i}" for i in missing)}
    width, height = error.seen.size
    ring = np.array(faults["reference"])
    assert (ring >= 0).all() and (ring < (width, height)).all()
    assert ring[:, 0].mean() < 0.1 * width  # it lies to the left of what was photographed


@pytest.mark.parametrize(("brightness", "code"), [(0.15, "too-dark"), (3.0, "clipped")])
def test_light_that_hides_the_card_is_drawn_around_the_card(brightness, code):
    error = refused(changed(brightness=brightness))
    assert error.code == code and error.seen
    assert set(error.seen.faults) == {"card"} and len(error.seen.markers) == 6
    (corners,) = error.seen.faults.values()
    squares = np.concatenate([np.array(quad) for quad in error.seen.markers.values()])
    assert (np.array(corners).min(axis=0) <= squares.min(axis=0)).all()
    assert (np.array(corners).max(axis=0) >= squares.max(axis=0)).all()


def test_without_a_card_or_a_photo_what_was_seen_is_named():
    error = refused((PHOTOS / "bad-no-card.jpg").read_bytes())
    assert error.seen and set(error.seen.faults) == {"frame"} and error.seen.markers == {}
    photo = Image.open(PHOTOS / "ladder1-2.jpg")
    small = Image.new("RGB", photo.size, (120, 110, 100))
    small.paste(photo.resize((photo.width // 6, photo.height // 6)), (0, 0))
    error = refused(to_file(small, quality=92))
    assert error.code == "card-small" and error.seen and len(error.seen.markers) == 6
    assert refused(b"no photo").seen is None
    told = measure_or_refuse(PHOTOS / "bad-half-card.jpg").to_json()
    assert told["drawing"] is None and told["quality"][0]["code"] == "spot-not-in-view"


#: Light of the codes of 8 bits, in single precision, which is enough for a picture.
DECODED = decode_srgb(np.arange(256) / 255).astype(np.float32)


def measure(rgb: np.ndarray, quality: int = 92) -> Measurement:
    return measure_or_refuse(to_jpeg(np.clip(rgb, 0, 255).astype(np.uint8), quality=quality))


@pytest.fixture(scope="module")
def demo_rgb() -> np.ndarray:
    return draw_demo_photo(Kitchen(), 1).rgb


def test_two_cards_are_refused_and_a_flickering_lamp_is_told(demo_rgb):
    result = measure(np.concatenate([demo_rgb, demo_rgb], axis=0))
    assert result.refused is not None and result.quality[0].code in ("two-cards", "card-crumpled")
    assert "second card" in result.refused or "Leave only one" in result.refused
    # Rows are read one after the other: a lamp of 1 kHz dims 20 times while 20 ms of rows pass.
    rows = np.arange(demo_rgb.shape[0])[:, None, None]
    light = DECODED[demo_rgb] * (1 + 0.05 * np.sin(2 * np.pi * rows / (demo_rgb.shape[0] / 20)))
    assert "striped-paper" in {flag.code for flag in measure(255 * encode_srgb(light)).quality}
    noisy = demo_rgb + np.random.default_rng(2).normal(0, 6, demo_rgb.shape)
    assert "striped-paper" not in {flag.code for flag in measure(noisy, quality=60).quality}


def show_on_screen(rgb: np.ndarray, pitch_px: float, depth: float) -> np.ndarray:
    """The picture on a screen: stripes of red, green and blue side by side, a bit askew, each pixel seen at its middle.

    pitch_px: camera pixels per pixel of the screen; near 1 the two grids beat, and wide coloured bands are seen.
    depth: what lens and pixel leave of the stripes (amplitude, part of the light).
    """
    rows, cols = np.mgrid[: rgb.shape[0], : rgb.shape[1]].astype(np.float32)
    along = 2 * np.pi * (cols + 0.04 * rows) / pitch_px
    across = 2 * np.pi * (rows - 0.04 * cols) / pitch_px
    stripes = np.stack([np.cos(along - 2 * np.pi * third / 3) for third in range(3)], axis=-1)
    light = DECODED[rgb] * (1 + depth * (stripes + 0.5 * np.cos(across)[..., None]))
    return 255 * encode_srgb(np.clip(light, 0, 1))


@pytest.mark.parametrize(("pitch_px", "depth"), [(1.04, 0.1), (3.6, 0.1), (40.0, 0.05)])
def test_a_card_on_a_screen_is_told_from_paper_by_its_pixels(demo_rgb, pitch_px, depth):
    result = measure(show_on_screen(demo_rgb, pitch_px, depth))
    assert result.refused is None
    said = [flag.text for flag in result.quality if flag.code == "striped-paper"]
    assert len(said) == 1 and "Use the card printed on matt paper, never shown on a screen" in said[0]


@pytest.mark.parametrize("pitch_px", [1.03, 40.0])
def test_stripes_that_hide_the_paper_are_refused_as_what_they_are(demo_rgb, pitch_px):
    result = measure(show_on_screen(demo_rgb, pitch_px, 0.3))
    assert [flag.code for flag in result.quality] == ["striped-card"]
    assert result.refused is not None and "Use the card printed on matt paper" in result.refused


@pytest.mark.parametrize("scale", [0.97, 1.03])
def test_a_card_printed_at_another_size_changes_no_colour_only_the_glass(demo_rgb, monkeypatch, scale):
    """All is measured in the card's own millimetres: a smaller card is the same card on a larger sheet, with larger glasses.

    Nothing that is read depends on a true millimetre: how deep the liquid stands is entered, and both glasses share it.
    """
    true_size = measure(demo_rgb)
    scene, glass = drawing.Scene, Glass()
    sizes = ("inner_radius_mm", "wall_mm", "meniscus_mm", "rim_height_mm")
    seen = replace(glass, **{name: getattr(glass, name) / scale for name in sizes})
    sheet = (297.0 / scale, 210.0 / scale)
    monkeypatch.setattr(drawing, "Scene", lambda **given: scene(glass=seen, sheet_mm=sheet, **given))
    drawn = draw_demo_photo(Kitchen(), 1)
    resized = measure(drawn.rgb)
    assert resized.refused is None
    assert {flag.code for flag in resized.quality} == {flag.code for flag in true_size.quality}
    one, other = (result.to_json()["delta_e_2000"] for result in (true_size, resized))
    assert one["low"] <= other["value"] <= one["high"] and other["low"] <= one["value"] <= other["high"]
    assert other["low"] <= drawn.truth["delta_e_2000"] <= other["high"]
    for spot in ("reference", "batch"):
        gap = np.abs(np.array(true_size.spots[spot].lab) - resized.spots[spot].lab)
        assert (gap < 1.0).all()


ROWS, COLS = np.mgrid[:_SIDE, :_SIDE].astype(float)


def paper(noise: float, count: int = 12) -> np.ndarray:
    """Squares of bare paper, shape (count, side, side), with white noise (sd, part of its light)."""
    return 0.7 * (1 + np.random.default_rng(3).normal(0, noise, (count, _SIDE, _SIDE)))


@pytest.mark.parametrize("period_px", [2.3, 5.0, 12.0])
@pytest.mark.parametrize("depth", [0.03, 0.2])
def test_the_depth_of_a_tone_comes_back(period_px, depth):
    tone = np.sin(2 * np.pi * (0.8 * COLS + 0.6 * ROWS) / period_px)
    # a window of 32 pixels spreads a tone over more than 3 x 3 frequencies: a few per cent of it stay outside
    assert _depth_of_tones(paper(0.01) * (1 + depth * tone)) == pytest.approx(depth, rel=0.08)


@pytest.mark.parametrize("noise", [0.0, 0.01, 0.1])
def test_noise_is_no_stripes_however_strong(noise):
    assert _depth_of_tones(paper(noise)) == 0.0


def test_stripes_over_a_few_squares_are_something_that_lies_there():
    striped = paper(0.01)
    striped[:4] *= 1 + 0.2 * np.sin(2 * np.pi * COLS / 6)
    assert _depth_of_tones(striped) == 0.0
    striped[4:8] *= 1 + 0.2 * np.sin(2 * np.pi * COLS / 6)
    assert _depth_of_tones(striped) > 0.1
