"""Rectangles on a photo: same readings as with the card, wider intervals, refusals that say what to do."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from colourmatch.colour.spaces import lab_to_srgb
from colourmatch.errors import InputError, PhotoError
from colourmatch.photo.rectangles import measure_rectangles

REFERENCE, BATCH = (60.0, 55.0, 40.0), (62.0, 50.0, 38.0)


@pytest.fixture()
def picture(tmp_path):
    """A flat picture: white paper at 200, a reference and a batch patch of known Lab relative to that paper."""
    paper = ((200 / 255 + 0.055) / 1.055) ** 2.4
    pixels = np.full((600, 900, 3), 200.0)
    for x, lab in ((100, REFERENCE), (500, BATCH)):
        encoded = lab_to_srgb(lab)[0] / 255
        linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4) * paper
        code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055) * 255
        pixels[200:400, x : x + 200] = code
    pixels += np.random.default_rng(1).normal(0, 1.0, pixels.shape)
    path = tmp_path / "flat.png"
    Image.fromarray(np.clip(np.round(pixels), 0, 255).astype(np.uint8)).save(path)
    return path


def test_flat_patches_give_their_lab_and_difference(picture):
    m = measure_rectangles(picture, (10, 10, 80, 80), (120, 220, 160, 160), (520, 220, 160, 160))
    assert m.spots["reference"].lab == pytest.approx(REFERENCE, abs=0.6)
    assert m.spots["batch"].lab == pytest.approx(BATCH, abs=0.6)
    assert m.difference.delta_e_2000.low <= 2.74 <= m.difference.delta_e_2000.high
    assert [f.code for f in m.quality] == ["no-card-mode"]


def test_the_interval_is_wider_than_with_the_card(picture):
    m = measure_rectangles(picture, (10, 10, 80, 80), (120, 220, 160, 160), (520, 220, 160, 160))
    interval = m.difference.delta_e_2000
    assert interval.high - interval.low > 1.5


def test_a_small_reflection_is_left_out(picture):
    image = np.asarray(Image.open(picture)).copy()
    image[250:270, 560:580] = 255
    Image.fromarray(image).save(picture)
    m = measure_rectangles(picture, (10, 10, 80, 80), (120, 220, 160, 160), (520, 220, 160, 160))
    assert m.spots["batch"].lab == pytest.approx(BATCH, abs=0.6)


def test_batch_alone_has_no_difference(picture):
    m = measure_rectangles(picture, (10, 10, 80, 80), batch=(520, 220, 160, 160))
    assert m.difference is None and "reference" not in m.spots


@pytest.mark.parametrize(
    ("rectangle", "words"),
    [
        ((850, 10, 80, 80), "outside the photo"),
        ((10, 10, 0, 80), "above 0"),
        ((10, 10, float("nan"), 80), "above 0"),
        ((10, 10, 3, 3), "too small"),
        ((60, 150, 300, 300), "not one even colour"),
    ],
)
def test_impossible_rectangles_are_refused_with_what_to_do(picture, rectangle, words):
    if words == "not one even colour":
        image = np.asarray(Image.open(picture)).copy()
        image[150:450, 60:360] = np.random.default_rng(2).integers(0, 255, (300, 300, 3))
        Image.fromarray(image).save(picture)
    with pytest.raises(InputError, match=words):
        measure_rectangles(picture, (10, 10, 80, 80), batch=rectangle)


def test_a_clipped_white_is_refused(picture):
    image = np.asarray(Image.open(picture)).copy()
    image[:100, :100] = 255
    Image.fromarray(image).save(picture)
    with pytest.raises(PhotoError, match="over-exposed"):
        measure_rectangles(picture, (10, 10, 80, 80), batch=(520, 220, 160, 160))


def test_a_white_darker_than_the_liquid_is_refused(picture):
    with pytest.raises(InputError, match="brighter than the white one"):
        measure_rectangles(picture, (120, 220, 60, 60), batch=(10, 10, 80, 80))
