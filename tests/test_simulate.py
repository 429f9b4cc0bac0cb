"""The photo generator: dye strengths, exact geometry, neutral paper, honest files, the truth it states."""

import io
from dataclasses import replace

import drawn
import numpy as np
import pytest
from drawn import Light, Phone, Pose, Scene, drink_transmittance, render_photo, sensor_curves
from drawn.glassware import oblique_path
from PIL import Image, ImageCms, ImageOps

from colourmatch.colour.spaces import decode_srgb
from colourmatch.colour.spectra import WAVELENGTHS_NM, read_illuminant
from colourmatch.facts import read_json

CARD = read_json("card-v1.json")
WATER = np.ones(81)
RED = drink_transmittance({"E129": 60.0}, caramel_a610=0.02, yellow_a430=0.3, dilution=5)
SMALL = Pose(width_px=1008, height_px=756, fill=0.8)
CLEAN = Phone(full_well=1e7, read_noise=0.0, chroma_noise=0.0, sharpening=0.0, shoulder=0.98)


def mean_linear(rendered, x_mm, y_mm, half_px=4):
    """Mean linear RGB of a small square round a card point."""
    u, v = np.round(rendered.view.to_pixels((x_mm, y_mm))).astype(int)
    patch = rendered.rgb[v - half_px : v + half_px + 1, u - half_px : u + half_px + 1]
    return decode_srgb(patch / 255).mean(axis=(0, 1))


def test_sensors_peak_where_published_and_water_is_the_white():
    # calibration/sensors.json: every phone's blue, green and red lie in these ranges.
    for phone in read_json("sensors.json")["phones"]:
        red, green, blue = WAVELENGTHS_NM[np.argmax(sensor_curves(phone), axis=0)]
        assert 440 <= blue <= 490 < 515 <= green <= 550 < 580 <= red <= 630
    np.testing.assert_allclose(drawn.lab_relative_to_water(WATER), [100, 0, 0], atol=1e-9)
    assert drawn.truth_of(Scene(reference=RED, batch=RED))["delta_e_2000"] == 0.0
    alone = drawn.truth_of(Scene(reference=None, batch=RED))
    assert set(alone["spots"]) == {"batch", "blank"} and alone["delta_e_2000"] is None


def test_pixels_are_millimetres_and_greys_shares_of_the_paper():
    pose = replace(SMALL, tilt_degrees=22, azimuth_degrees=70, rotation_degrees=31, distortion=0.02)
    view = drawn.place_camera(pose)
    points = np.random.default_rng(1).uniform([0, 0], [250, 180], (40, 2))
    for height_mm in (0.0, 25.0):
        back = view.to_card_mm(view.to_pixels(points, height_mm), height_mm)
        np.testing.assert_allclose(back, points, atol=1e-4)
    rendered = render_photo(Scene(), CLEAN, Light(), SMALL, seed=1, printer=drawn.Printer(gamma=1.1))
    greys = CARD["grey_steps"]
    printed = zip(greys["top_row_centres_mm"], greys["nominal_relative_reflectance"], strict=True)
    for centre, nominal in printed:
        share = mean_linear(rendered, *centre) / CLEAN.exposure
        np.testing.assert_allclose(share, nominal**1.1, rtol=0.03)


def test_a_tilted_look_goes_through_more_liquid_when_asked():
    # Seen 30 degrees from above: sin r = 0.5 / 1.333, 1 / cos r = 1.0788, half of the double way.
    assert oblique_path(0) == 1
    assert oblique_path(30) == pytest.approx(1.0394, abs=5e-5)
    view = drawn.place_camera(Pose(tilt_degrees=20))
    straight_ahead = view.to_card_mm((np.array(view.size_px) - 1) / 2)
    assert view.degrees_from_above(straight_ahead) == pytest.approx(20)
    scene, pose = Scene(batch=RED), replace(SMALL, tilt_degrees=30)
    scenes = [replace(scene, oblique_paths=on) for on in (False, True)]
    plain, longer = (render_photo(one, CLEAN, Light(), pose, seed=1) for one in scenes)
    assert mean_linear(longer, 125, 84)[1] < 0.99 * mean_linear(plain, 125, 84)[1]


def test_gradient_shadow_and_second_light_do_what_they_say():
    slope = render_photo(Scene(), CLEAN, Light(gradient=0.1), SMALL, seed=1)
    across = mean_linear(slope, 240, 60)[1] / mean_linear(slope, 10, 60)[1]
    assert across == pytest.approx(np.exp(0.23), rel=0.02)
    edge = drawn.Shadow(125, 90, angle_degrees=0, depth=0.4, penumbra_mm=20)
    shaded = render_photo(Scene(), CLEAN, Light(shadow=edge), SMALL, seed=1)
    assert mean_linear(shaded, 240, 60)[1] / mean_linear(shaded, 10, 60)[1] == pytest.approx(0.6, rel=0.02)
    warm = Light(second_spectrum=read_illuminant("A"), second_share=0.3, second_gradient=0.3)
    mixed = render_photo(Scene(), CLEAN, warm, SMALL, seed=1)
    left, right = mean_linear(mixed, 10, 60), mean_linear(mixed, 240, 60)
    assert left[0] / left[2] > 1.1 * right[0] / right[2]


@pytest.mark.parametrize(("gamut", "words"), [("srgb", "sRGB"), ("p3", "Display P3")])
@pytest.mark.parametrize("suffix", [".jpg", ".png", ".heic"])
def test_file_carries_its_profile_and_model(tmp_path, gamut, words, suffix):
    tiny = Pose(width_px=320, height_px=240)
    rendered = render_photo(Scene(), Phone(gamut=gamut, name="Test phone"), Light(), tiny, seed=1)
    with Image.open(drawn.save_photo(rendered, tmp_path / f"photo{suffix}")) as image:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
        assert words in ImageCms.getProfileDescription(profile)
        assert image.getexif()[0x0110] == "Test phone"


@pytest.mark.parametrize(("suffix", "orientation"), [(".png", 5), (".jpg", 6), (".heic", 6)])
def test_every_orientation_comes_back_upright(tmp_path, suffix, orientation):
    pose = Pose(width_px=320, height_px=240, shift=(0.1, 0.05))
    rendered = render_photo(Scene(batch=RED), Phone(), Light(), pose, seed=1)
    path = drawn.save_photo(rendered, tmp_path / f"photo{suffix}", exif_orientation=orientation, quality=95)
    with Image.open(path) as image:
        upright = np.asarray(ImageOps.exif_transpose(image).convert("RGB")).astype(float)
    assert upright.shape == rendered.rgb.shape
    assert np.abs(upright - rendered.rgb).mean() < 4


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: drink_transmittance(depth_mm=-3), "depth_mm must be positive, got -3"),
        (lambda: drink_transmittance(dilution=0.5), "dilution must be at least 1, got 0.5"),
        (lambda: drink_transmittance({"E129": -1}), "amounts must not be negative, got -1"),
        (lambda: drink_transmittance({"E999": 1}), "no colourant 'E999'"),
        (lambda: drawn.dye_absorbance("E150"), "E150 has no absorption peak"),
        (lambda: sensor_curves("Phone Z"), "got 'Phone Z'"),
        (
            lambda: drawn.camera_matrix(Phone(gamut="cmyk"), read_illuminant()),
            "gamut must be one of srgb, p3",
        ),
        (lambda: Scene(reference=np.ones(5)).liquids(), "reference must be 81 transmittances"),
        (lambda: Scene(batch=RED, haze={"batch": 2}).liquids(), "haze of batch must be 0 to 1, got 2"),
        (lambda: Pose(tilt_degrees=90), "tilt_degrees must be 0 to under 60, got 90"),
    ],
)
def test_what_cannot_be_is_refused_with_its_value(call, words):
    with pytest.raises(ValueError, match=words):
        call()
