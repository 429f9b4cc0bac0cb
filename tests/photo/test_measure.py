"""Whole photos with known truth: rendered from spectra, measured, compared, or refused with what to do."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from drawn import Glint, Light, Phone, Pose, Rendered, Scene, Shadow, drink_transmittance, render_photo
from drawn_card import DECODE_TABLE, to_jpeg

from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spaces import RGB_TO_XYZ, encode_srgb
from colourmatch.colour.spectra import read_illuminant
from colourmatch.errors import PhotoError
from colourmatch.measurement import Measurement
from colourmatch.photo.card import read_card
from colourmatch.photo.measure import measure_or_refuse, measure_photo
from colourmatch.photo.read_colour import propagate
from colourmatch.photo.spot import LOW_CODE

CARD = read_card()
POSE = Pose(fill=0.9, rotation_degrees=1.0, width_px=1512, height_px=1134)
PLAIN = Phone(exposure=0.62, veil=0.004)
RED = drink_transmittance({"E129": 41.0}, caramel_a610=0.015, yellow_a430=0.33, dilution=5)
PALER = drink_transmittance({"E129": 30.0}, caramel_a610=0.012, yellow_a430=0.30, dilution=5)
STRONG = drink_transmittance({"E129": 160.0}, caramel_a610=0.2, yellow_a430=2.0)
SCENE = Scene(reference=RED, batch=PALER)


def saturated(dye: str, mg_per_l: float) -> np.ndarray:
    """An undiluted drink whose colour lies far outside the gamut of sRGB."""
    return drink_transmittance({dye: mg_per_l}, caramel_a610=0.01, yellow_a430=0.2)


WARM = Phone(sensor="Phone B", gamut="p3", exposure=0.62, s_curve=0.3, matrix_error=0.02, veil=0.008)

#: Everything drawn here: name -> scene, phone, light or the name of one. Each is drawn at most once.
SHOTS: dict[str, tuple[Scene, Phone, Light | str]] = {
    "empty card": (Scene(blank=None), PLAIN, Light()),
    "three glasses": (SCENE, PLAIN, Light()),
    "alike": (replace(SCENE, batch=RED), PLAIN, Light(gradient=0.03)),
    "another phone": (
        replace(SCENE, glints=(Glint("batch", 4, -8),)),
        WARM,
        "LED-B3",
    ),
    "hazy": (replace(SCENE, haze={"batch": 0.3}), PLAIN, Light()),
    "shadow": (SCENE, PLAIN, Light(shadow=Shadow(125, 90, angle_degrees=20, depth=0.35))),
    "outside": (replace(SCENE, offsets_mm={"batch": (24, 0)}), PLAIN, Light()),
    "strong": (Scene(reference=STRONG, batch=STRONG), PLAIN, Light()),
    "orange": (Scene(reference=saturated("E110", 60), batch=saturated("E110", 56)), PLAIN, Light()),
    "teal": (Scene(reference=saturated("E133", 40), batch=saturated("E133", 37)), PLAIN, Light()),
}  # fmt: skip


@cache
def shoot(name: str) -> Rendered:
    scene, phone, light = SHOTS[name]
    if isinstance(light, str):
        light = Light(read_illuminant(light), light, gradient=0.04)
    return render_photo(scene, phone, light, POSE, seed=11)


@cache
def measure(name: str) -> Measurement:
    shot = shoot(name)
    return measure_photo(to_jpeg(shot.rgb, shot.gamut), f"{name}.jpg")


def stand_only(*spots: str) -> bytes:
    """The photo of three glasses with only these standing: bare card elsewhere."""
    rgb = shoot("empty card").rgb.copy()
    view, edges_mm = shoot("three glasses").view, [[5, 90], [85, 90], [165, 90], [245, 90]]
    columns = view.to_pixels(edges_mm)[:, 0].round().astype(int)
    for k, spot in enumerate(CARD.spots):
        if spot in spots:
            part = np.s_[:, columns[k] : columns[k + 1]]
            rgb[part] = shoot("three glasses").rgb[part]
    return to_jpeg(rgb)


def codes(measurement: Measurement) -> dict[str, str]:
    return {f.code: f.severity for f in measurement.quality}


@pytest.mark.parametrize("name", ["three glasses", "another phone", "alike"])
def test_colours_and_their_difference_lie_within_what_is_said(name):
    found, truth = measure(name), shoot(name).truth
    for spot, colour in found.spots.items():
        assert (np.abs(colour.lab - truth["spots"][spot]["lab"]) < 3 * colour.lab_sd).all(), spot
    assert found.delta_e_2000.low <= truth["delta_e_2000"] <= found.delta_e_2000.high
    assert found.delta_e_2000.low <= found.delta_e_2000.value <= found.delta_e_2000.high


def test_a_good_photo_is_read_closely_and_has_no_flags():
    found, alike = measure("three glasses"), measure("alike")
    assert found.difference.seen and "paler" in found.difference.text
    assert not alike.difference.seen and "no difference" in alike.difference.text.lower()
    assert alike.delta_e_2000.low == 0 and alike.delta_e_2000.value < 0.6
    # even light, no curve, no error of the matrix: the rest is the fitted curve, and three filters for an eye
    assert found.delta_e_2000.value == pytest.approx(shoot("three glasses").truth["delta_e_2000"], rel=0.15)
    apart = ciede2000(found.spots["reference"].lab, found.spots["batch"].lab)
    assert found.delta_e_2000.value == pytest.approx(float(apart), rel=0.02)  # less what noise adds
    assert found.spots["blank"].white == "blank"
    assert found.spots["blank"].lab == pytest.approx([100, 0, 0], abs=0.01)
    for made in (found, alike):
        assert codes(made) == {}
        for colour in (made.spots["reference"], made.spots["batch"]):
            assert colour.clarity == pytest.approx(1.0, abs=3 * colour.clarity_sd)


def test_propagation_is_that_of_many_draws():
    # JCGM 101:2008: propagation of distributions by drawing, against the first-order formula
    rgb, to_xyz = np.array([0.75, 0.4, 0.2]), RGB_TO_XYZ["sRGB"]
    cov = 1e-5 * np.array([[1.0, 0.5, 0.2], [0.5, 0.8, 0.3], [0.2, 0.3, 0.6]])
    lab, lab_cov, _ = propagate(rgb, cov, to_xyz)
    draws = np.random.default_rng(1).multivariate_normal(rgb, cov, 20000)
    labs = np.array([propagate(d, cov, to_xyz)[0] for d in draws[:4000]])
    assert labs.mean(axis=0) == pytest.approx(lab, abs=0.05)
    # 4000 draws know a standard deviation to 2 %
    assert labs.std(axis=0) == pytest.approx(np.sqrt(np.diag(lab_cov)), rel=0.06)


def test_a_photo_without_one_of_the_glasses_is_measured_as_far_as_it_goes():
    made = measure_photo(stand_only("reference", "batch"))
    assert codes(made) == {"no-blank": "warn"}
    assert made.spots["batch"].white == "paper" and made.spots["blank"] is None
    assert made.delta_e_2000.low <= shoot("three glasses").truth["delta_e_2000"] <= made.delta_e_2000.high
    for there, missing in (("batch", "reference"), ("reference", "batch")):
        made = measure_photo(stand_only(there, "blank"))
        assert codes(made) == {f"no-{missing}": "warn"}
        assert made.spots[missing] is None and made.spots["blank"] and made.difference is None
        # beside another liquid the middle of both is what is estimated
        assert made.spots[there].lab == pytest.approx(measure("three glasses").spots[there].lab, abs=0.5)


@pytest.mark.parametrize("spots", [(), ("blank",)])
def test_without_reference_and_batch_there_is_nothing_to_measure(spots):
    with pytest.raises(PhotoError, match="Set both glasses inside their rings") as caught:
        measure_photo(stand_only(*spots))
    assert caught.value.code == "empty"


def test_haze_and_a_shadow_are_flagged_where_they_are():
    made = measure("hazy")
    (haze,) = [f for f in made.quality if f.code == "haze"]
    assert haze.severity == "warn" and haze.text.startswith("Filter the batch")
    assert made.spots["batch"].clarity < made.spots["reference"].clarity - 0.05
    made = measure("shadow")
    assert codes(made).get("uneven-light") == "warn"
    truth = shoot("shadow").truth["delta_e_2000"]
    assert made.delta_e_2000.low <= truth <= made.delta_e_2000.high
    apart, even = made.delta_e_2000, measure("three glasses").delta_e_2000
    assert apart.high - apart.low > even.high - even.low


def test_an_undiluted_liquid_asks_for_water():
    made = measure("strong")
    flags = [f for f in made.quality if f.code == "channel-empty"]
    assert flags and all(f.severity == "warn" for f in flags)
    assert "Measure reference and batch both at 1+" in flags[0].text
    parts = int(flags[0].text.split("1+")[1].split(" ")[0])
    # A in the green is near 2 x (160 mg/l x 0.054 + 0.2): as much water as to bring it under 1
    assert 2 <= parts <= 30


@pytest.mark.parametrize(("name", "axis"), [("orange", 2), ("teal", 1)])
def test_a_colour_outside_the_gamut_is_told_with_what_the_file_cut_off(name, axis):
    made, truth = measure(name), shoot(name).truth
    assert codes(made) == {"channel-empty": "warn"}
    found = made.delta_e_2000
    assert found.low <= truth["delta_e_2000"] <= found.high
    assert found.high > 5
    for spot in ("reference", "batch"):
        colour, true = made.spots[spot], np.array(truth["spots"][spot]["lab"])
        assert (np.abs(colour.lab - true) < 2 * colour.lab_sd).all()
        assert colour.rgb.min() >= 0
        # read as if nothing were cut off it is far paler in that direction, and further off
        plain = propagate(colour.rgb, colour.rgb_covariance, RGB_TO_XYZ["sRGB"])[0]
        assert abs(plain[axis] - true[axis]) > abs(colour.lab[axis] - true[axis])
        assert abs(plain[axis]) < abs(colour.lab[axis])
    assert np.trace(made.uncertainty.lost) > 25
    assert made.uncertainty.lost[axis, axis] > 25


def test_a_channel_of_nothing_but_lifted_black_is_empty():
    """A phone that lifts black writes no low codes; what is left without the veil is not told from nothing."""
    scene = Scene(reference=saturated("E129", 45), batch=saturated("E129", 42))
    lifted = render_photo(scene, replace(PLAIN, black_lift=(0.03,) * 3), Light(), POSE, seed=11)
    x, y = lifted.view.to_pixels([CARD.window_centre_mm("batch")])[0].round().astype(int)
    assert lifted.rgb[y - 9 : y + 10, x - 9 : x + 10, 2].mean() > LOW_CODE
    made = measure_photo(to_jpeg(lifted.rgb))
    assert codes(made) == {"channel-empty": "warn"}
    assert made.quality[0].text.count("blue") and made.uncertainty.lost[2, 2] > 25
    off = made.spots["batch"].lab - lifted.truth["spots"]["batch"]["lab"]
    assert (np.abs(off) < 2 * made.spots["batch"].lab_sd).all()
    low, high = made.delta_e_2000.low, made.delta_e_2000.high
    assert low <= lifted.truth["delta_e_2000"] <= high


def test_a_blank_that_is_not_water_is_not_the_white():
    rgb, view = shoot("three glasses").rgb.copy(), shoot("three glasses").view
    (bx, by), (wx, wy) = view.to_pixels([CARD.spots["batch"], CARD.spots["blank"]]).round().astype(int)
    half = round(34 * float(np.mean(view.px_per_mm((165, 90)))))
    rgb[wy - half : wy + half, wx - half : wx + half] = rgb[by - half : by + half, bx - half : bx + half]
    made = measure_photo(to_jpeg(rgb))
    assert codes(made) == {"blank-not-clear": "warn"}
    assert {colour.white for colour in made.spots.values()} == {"paper"}


def relight(weights: np.ndarray) -> bytes:
    """The photo of three glasses with its linear light multiplied by weights that broadcast to (H, W, 3)."""
    linear = DECODE_TABLE[0][shoot("three glasses").rgb] * weights.astype(np.float32)
    return to_jpeg(np.round(255 * encode_srgb(linear)).astype(np.uint8))


def test_two_kinds_of_light_are_flagged_and_a_glass_outside_is_refused():
    across = np.linspace(-1, 1, POSE.width_px)[None, :, None]
    made = measure_photo(relight(1 + across * np.array([0.07, 0.0, -0.07])))
    assert codes(made) == {"mixed-light": "warn"}
    truth = shoot("three glasses").truth["delta_e_2000"]
    assert made.delta_e_2000.low <= truth <= made.delta_e_2000.high
    made = measure_or_refuse(to_jpeg(shoot("outside").rgb), "outside.jpg")
    (reason,) = made.quality
    assert (reason.code, reason.severity) == ("glass-outside", "refuse")
    assert reason.text == made.refused and made.refused.startswith("The batch glass stands outside its ring.")


def reflect(radius_mm: float) -> Measurement:
    """Three glasses with a pane of sky, brighter on one side, mirrored on the middle of the batch window."""
    view = shoot("three glasses").view
    u, v = view.to_pixels(CARD.window_centre_mm("batch"))
    y, x = np.mgrid[: POSE.height_px, : POSE.width_px]
    radius_px = radius_mm * float(np.mean(view.px_per_mm((125, 84))))
    glare = np.where(np.hypot(x - u, y - v) < radius_px, 2 + 0.02 * (x - u), 1)
    return measure_or_refuse(relight(np.maximum(glare, 1.0)[..., None]), "glare.jpg")


@pytest.mark.parametrize(("radius_mm", "left_out"), [(6.5, True), (8.5, False)])
def test_a_reflection_on_the_window_is_left_out_or_told_and_never_passes_in_silence(radius_mm, left_out):
    made = reflect(radius_mm)
    if left_out:
        assert codes(made) == {"glare": "warn"}
        assert made.spots["batch"].lab == pytest.approx(measure("three glasses").spots["batch"].lab, abs=0.5)
    else:
        assert set(codes(made)) & {"glare", "glare-over-window", "channel-full"}
