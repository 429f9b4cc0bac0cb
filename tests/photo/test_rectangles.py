"""Rectangles on a photo: same readings as with the card, wider intervals, refusals that say what to do."""

import json
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from bench_rectangles import WITHIN, read_photo
from charts import KINDS, LIGHT_GREY, WHITE, photograph_chart, published_chart, relative_lab
from PIL import Image

from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spaces import RGB_TO_XYZ, decode_srgb, lab_to_xyz, xyz_to_lab
from colourmatch.errors import InputError, PhotoError
from colourmatch.photo import rectangles
from colourmatch.photo.measure import parts_of_water
from colourmatch.photo.rectangles import expect_tones, measure_rectangles

REFERENCE, BATCH = (60.0, 55.0, 40.0), (62.0, 50.0, 38.0)


def as_camera_sees(xyz):
    """Linear sRGB of a colour, relative to white."""
    return np.clip(np.asarray(xyz) @ np.linalg.inv(RGB_TO_XYZ["sRGB"]).T, 0, None)


def write_codes(light, sigmas=(0.0, 0.0, 0.0, 0.0)):
    """Codes that a camera of the usual tones writes, or one so many standard deviations from it."""
    usual, *bends = expect_tones()
    table = decode_srgb(np.arange(256) / 255) * np.exp(usual + np.asarray(sigmas) @ bends)
    return np.interp(light, np.maximum.accumulate(table), np.arange(256))


WHITE_BOX, REFERENCE_BOX, BATCH_BOX = (10, 10, 80, 80), (120, 220, 160, 160), (520, 220, 160, 160)
BOXES = (WHITE_BOX, REFERENCE_BOX, BATCH_BOX)


@cache
def draw_patches():
    """A flat picture: white paper at 200, a reference and a batch patch of known Lab relative to that paper."""
    paper = decode_srgb(200 / 255) * np.exp(expect_tones()[0][200])
    pixels = np.full((600, 900, 3), 200.0)
    for x, lab in ((100, REFERENCE), (500, BATCH)):
        pixels[200:400, x : x + 200] = write_codes(as_camera_sees(lab_to_xyz(lab)) * paper)
    pixels += np.random.default_rng(1).normal(0, 1.0, pixels.shape)
    return np.clip(np.round(pixels), 0, 255).astype(np.uint8)


def write(pixels, path):
    Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)).save(path, compress_level=0)
    return path


@pytest.fixture()
def picture(tmp_path):
    return write(draw_patches(), tmp_path / "flat.png")


@pytest.fixture()
def altered(tmp_path):
    """The picture with other pixels in some areas: pairs of a slice and what lies there."""

    def alter(*areas):
        image = draw_patches().copy()
        for area, value in areas:
            image[area] = value
        return write(image, tmp_path / "altered.png")

    return alter


def test_flat_patches_give_their_lab_and_difference_less_surely_than_with_the_card(picture):
    m = measure_rectangles(picture, *BOXES)
    for spot, true in (("reference", REFERENCE), ("batch", BATCH)):
        colour = m.spots[spot]
        assert colour.rgb == pytest.approx(as_camera_sees(lab_to_xyz(true)), abs=0.006)
        assert (np.abs(np.subtract(colour.lab, true)) < 1.96 * colour.lab_sd).all()
    assert m.delta_e_2000.low <= 2.74 <= m.delta_e_2000.high
    assert m.delta_e_2000.high - m.delta_e_2000.low > 1.5
    assert [f.code for f in m.quality] == ["no-card-mode"]


@pytest.mark.parametrize(
    ("rectangle", "words"),
    [
        ((850, 10, 80, 80), "outside the photo"),
        ((10, 10, 0, 80), "above 0"),
        ((10, 10, float("nan"), 80), "above 0"),
        ((710, 210, 3, 3), "too small"),
        ((710, 210, 300, 2), "outside the photo"),
        ((710, 210, 100, 2), "too small"),
        ((60, 150, 300, 300), "not one even colour"),
        ((80, 80, 60, 60), "The white and the batch rectangle overlap"),
    ],
)
def test_impossible_rectangles_are_refused_with_what_to_do(altered, rectangle, words):
    noise = np.random.default_rng(2).integers(0, 255, (300, 300, 3))
    with pytest.raises(InputError, match=words):
        measure_rectangles(altered((np.s_[150:450, 60:360], noise)), WHITE_BOX, batch=rectangle)


def test_whites_clipped_or_darker_are_refused_and_a_refusal_can_be_a_result(picture, altered):
    with pytest.raises(PhotoError, match="over-exposed"):
        measure_rectangles(altered((np.s_[:100, :100], 255)), WHITE_BOX, batch=BATCH_BOX)
    with pytest.raises(InputError, match="brighter than the white one"):
        measure_rectangles(picture, (120, 220, 60, 60), batch=WHITE_BOX)
    boxes = {"white": (10, 10, 80, 80), "batch": (20, 20, 80, 80)}
    m = rectangles.measure_rectangles_or_refuse(picture, boxes)
    assert m.photo == "flat.png" and "overlap" in m.refused
    assert rectangles.measure_rectangles_or_refuse(b"no photo", boxes, "x.jpg").refused


@pytest.mark.parametrize("part", [0, 0.01, 1.2, 18, float("nan")])
def test_an_impossible_reflectance_is_refused(picture, part):
    with pytest.raises(InputError, match="Give a part of 1"):
        measure_rectangles(picture, WHITE_BOX, batch=BATCH_BOX, white_reflectance=part)


W, H = 320, 240


def draw_scene(rng, path, *, grey=1.0, unsure=1.0, from_side=False):
    """A photo of a card and two vessels with known colours: light, reflections, paths, tones and noise are random.

    Dyes by Beer-Lambert on linear sRGB; from the side light passes once over the same background, from above twice.
    `unsure` scales every error that the reader does not know; truth is that of equal vessels in even light.
    """
    passes = 1 if from_side else 2
    dye = rng.uniform(0.02, 0.35, 3) * (np.array([0.15, 1.0, 0.8]))
    dyes = {"reference": dye, "batch": dye * rng.uniform(0.6, 1.4) + rng.uniform(0, 0.03, 3)}
    boxes = {
        "white": (rng.uniform(5, 30), rng.uniform(10, 160), 55, 55),
        "reference": (rng.uniform(100, 150), rng.uniform(10, 170), 45, 50),
        "batch": (rng.uniform(210, 260), rng.uniform(10, 170), 45, 50),
    }
    half = 0.5 * np.hypot(W, H)
    y, x = np.mgrid[0:H, 0:W] - np.array([H / 2, W / 2])[:, None, None]
    # a plane of light whose change over half a picture has the sd that the reader allows for
    slope = rng.normal(0, rectangles.UNEVEN_LOG, 2)[:, None]
    slope = unsure * (slope + rng.normal(0, rectangles.UNEVEN_COLOUR_LOG, (2, 3))) / half
    light = np.exp(x[..., None] * slope[0] + y[..., None] * slope[1])
    seen = np.full((H, W, 3), 0.3)
    wall = rng.normal(0, rectangles.VESSEL_WHITE)
    truth = {"boxes": boxes}
    for name, (bx, by, bw, bh) in boxes.items():
        if name == "white":
            value = np.full(3, grey)
        else:
            pure = 10 ** (-passes * dyes[name])
            truth[name] = xyz_to_lab(pure @ RGB_TO_XYZ["sRGB"].T)
            length = 1 + unsure * rng.normal(0, rectangles.PATH_PART)
            stray = abs(unsure * (wall + rng.normal(0, rectangles.VESSEL_APART)))
            value = 10 ** (-passes * length * dyes[name]) + stray
        value = as_camera_sees(value @ RGB_TO_XYZ["sRGB"].T)
        seen[int(by) - 4 : int(by + bh) + 4, int(bx) - 4 : int(bx + bw) + 4] = value
    linear = np.clip(seen * light * rng.uniform(0.4, 0.55) * min(1 / grey, 1.5), 0, None)
    linear += rng.normal(0, 0.01, linear.shape) * np.sqrt(np.maximum(linear, 1e-4))
    write(np.round(write_codes(linear, unsure * rng.normal(size=4))), path)
    truth["delta"] = float(ciede2000(truth["reference"], truth["batch"]))
    return truth


@pytest.mark.parametrize(("grey", "from_side"), [(0.4, False), (1.0, True)])
def test_intervals_hold_the_truth_of_drawn_photos(tmp_path, grey, from_side):
    rng = np.random.default_rng(20)
    held, within_sd, widths = 0, [], []
    for _ in range(40):
        truth = draw_scene(rng, tmp_path / "scene.png", grey=grey, from_side=from_side)
        m = measure_rectangles(tmp_path / "scene.png", white_reflectance=grey, **truth["boxes"])
        seen = m.delta_e_2000
        held += seen.low <= truth["delta"] <= seen.high
        widths.append(seen.high - seen.low)
        for spot in ("reference", "batch"):
            colour = m.spots[spot]
            within_sd.append(np.abs(colour.lab - truth[spot]) <= 1.96 * colour.lab_sd)
    # 95 % intervals: under 35 of 40 would happen by chance once in a hundred (binomial)
    assert held >= 35
    assert np.mean(within_sd) >= 0.9
    assert np.median(widths) < 8


def test_light_that_changes_over_the_white_widens_the_interval_and_is_told(tmp_path):
    flat = np.full((480, 1200, 3), 180.0)
    flat[100:300, 700:850], flat[100:300, 900:1050] = (170, 90, 80), (165, 95, 85)
    boxes = ((20, 120, 160, 160), (710, 110, 130, 180), (910, 110, 130, 180))
    found = []
    for steep in (0.0, 0.12):
        lit = flat * (1 - steep * np.clip(np.arange(1200) / 400, 0, 1))[None, :, None]
        lit = lit + np.random.default_rng(6).normal(0, 1, lit.shape)
        found.append(measure_rectangles(write(lit, tmp_path / "lit.png"), *boxes))
    even, sloping = found
    assert "light-slopes" in {f.code for f in sloping.quality} - {f.code for f in even.quality}
    assert np.trace(sloping.spots["batch"].lab_covariance) > 2 * np.trace(even.spots["batch"].lab_covariance)


def test_both_liquids_are_told_the_water_that_the_stronger_one_needs(altered):
    strong = (np.s_[200:400, 100:300], (150, 14, 4)), (np.s_[200:400, 500:700], (120, 0, 0))
    m = measure_rectangles(altered(*strong), *BOXES)
    alone = [parts_of_water(m.spots[spot].rgb) for spot in ("reference", "batch")]
    assert alone[0] < alone[1]
    asked = [f.text.split("both at 1+")[1].split(" ")[0] for f in m.quality if f.code == "channel-empty"]
    assert asked == [str(alone[1])] * 2
    assert np.trace(m.uncertainty.lost) > 0


def test_a_reflection_over_much_of_a_rectangle_is_told_and_over_most_refused(altered):
    m = measure_rectangles(altered((np.s_[220:270, 520:680], 250)), WHITE_BOX, batch=BATCH_BOX)
    (told,) = (f.text for f in m.quality if f.code == "glare")
    assert "reaches past the liquid" in told and re.search(r"\d+ % of the batch rectangle", told)
    assert m.difference is None and m.spots["reference"] is None
    assert m.spots["batch"].rgb == pytest.approx(as_camera_sees(lab_to_xyz(BATCH)), abs=0.006)
    most = (np.s_[220:330, 520:680], np.where(np.arange(160)[None, :, None] % 2 == 0, 250, 20))
    with pytest.raises(InputError, match="not one even colour"):
        measure_rectangles(altered(most), WHITE_BOX, batch=BATCH_BOX)


def test_rectangles_are_those_of_the_picture_as_it_is_shown(picture, tmp_path):
    """A photo stored on its side and turned by its orientation tag: pixels count from the upright top left."""
    upright = Image.open(picture)
    exif = Image.Exif()
    exif[0x0112] = 6
    upright.transpose(Image.Transpose.ROTATE_90).save(tmp_path / "turned.png", exif=exif)
    one, other = (measure_rectangles(p, *BOXES) for p in (picture, tmp_path / "turned.png"))
    assert one.spots["batch"].lab == pytest.approx(other.spots["batch"].lab, abs=1e-6)
    assert other.to_json()["rectangles"] == {
        "white": [10, 10, 80, 80], "reference": [120, 220, 160, 160], "batch": [520, 220, 160, 160],
        "white_reflectance": 1.0,
    }  # fmt: skip


def test_colours_and_differences_of_drawn_charts_lie_within_their_intervals():
    """Cameras, lights and tone curves of tests/bench/charts.py, of which this module knows none."""
    absolute, differences = [], []
    for number in range(8):
        photo = photograph_chart(np.random.default_rng([3, number]), KINDS[number % 4])
        colours, apart = read_photo(photo, WHITE, apart=True)
        absolute += colours
        differences += apart
    missed, sd = (np.array(part) for part in zip(*absolute, strict=True))
    assert (((missed / sd) ** 2).sum(axis=1) < WITHIN).mean() >= 0.92
    assert (np.median(sd, axis=0) < (4, 8, 8)).all()
    true, _, low, high = np.array(differences).T
    assert ((low <= true) & (true <= high)).mean() >= 0.92
    assert np.median(high - low) < 0.7 * np.median(true)


CHARTS = json.loads((Path(__file__).parents[1] / "photos" / "charts.json").read_text())["photos"]


@pytest.mark.parametrize("name", CHARTS)
@pytest.mark.parametrize("white", [WHITE, LIGHT_GREY])
def test_real_photos_of_a_chart_lie_within_their_intervals(sample_photos, name, white):
    """Published colours of the chart, a camera's own JPEG: tests/photos/charts.json."""
    chart = CHARTS[name]
    boxes = [(x - chart["half"], y - chart["half"], 2 * chart["half"], 2 * chart["half"])
             for y in chart["rows"] for x in chart["columns"]]  # fmt: skip
    lab, part = relative_lab(published_chart(), white)
    strain, held, widths = [], [], []
    for one in set(range(24)) - {white}:
        other = (one + 7) % 24 if (one + 7) % 24 != white else (one + 8) % 24
        three = (boxes[white], boxes[one], boxes[other])
        m = measure_rectangles(sample_photos / name, *three, white_reflectance=part)
        seen, true = m.delta_e_2000, float(ciede2000(lab[one], lab[other]))
        strain.append((m.spots["reference"].lab - lab[one]) / m.spots["reference"].lab_sd)
        held.append(seen.low <= true <= seen.high)
        widths.append(seen.high - seen.low)
    assert (np.square(strain).sum(axis=1) < WITHIN).mean() >= 0.9
    assert (np.sqrt(np.square(strain).mean(axis=0)) < 1.2).all()
    assert np.mean(held) >= 0.92
    assert np.median(widths) < 28


def test_a_shadow_and_a_bright_white_stand_for_more_light_than_their_codes_say():
    usual, *bends = expect_tones()
    assert usual[208] == 0 and not np.array(bends)[:, 208].any()
    assert usual[40] > 0.2 and usual[245] > 0.1
    assert (np.diff(decode_srgb(np.arange(256) / 255) * np.exp(usual)) > 0).all()
    assert (np.diff(np.square(bends).sum(axis=1)) < 0).all()
