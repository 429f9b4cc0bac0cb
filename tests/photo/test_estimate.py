"""The estimate of two colours: its symmetries, a camera that no table was fitted on, fields that are not seen."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from drawn.inks import field_reflectances, vary_inks
from known_cameras import weigh_p3
from known_liquids import nbs_solutions
from worlds import draw_worlds, measured_phones, nikon

from colourmatch.colour.difference import ciede2000, compare_lab
from colourmatch.colour.spaces import RGB_TO_XYZ, xyz_to_lab
from colourmatch.errors import PhotoError
from colourmatch.liquid.model import absorbance_to_lab
from colourmatch.photo.estimate import GlassReading, estimate_bare, estimate_pair
from colourmatch.photo.estimator import KINDS, branch

LIGHTS = ("D50", "D65", "D75", "LED-B3", "LED-B4", "LED-V1")


@cache
def camera(light: str) -> np.ndarray:
    """Weights (81, 3) to linear Display P3 of the Nikon 5100 as the NPL measured it, in colour-science."""
    return weigh_p3(nikon(), light)


def drink(copper: float, cobalt: float, chromate: float) -> np.ndarray:
    """Single-pass absorbance (81,) of a mixture, in parts of the solutions."""
    parts = nbs_solutions()
    return copper * parts["copper"] + cobalt * parts["cobalt"] + chromate * parts["chromate"]


def look(absorbance: np.ndarray, light: str, inks: np.ndarray) -> GlassReading:
    """What the camera reads of a liquid over white and over the fields, without noise."""
    over = np.concatenate([np.ones((1, 81)), inks])
    values = np.maximum((over * 10 ** (-2 * absorbance)) @ camera(light), 0.0) * 0.93
    sd = np.hypot(0.008 * values[1:], 0.0015)
    return GlassReading(values, np.eye(3) * 0.001**2, sd, np.ones(6, bool), 0.003, 0.0015, 0.002, 0.0011)


def pairs(seed: int, count: int = 60):
    """Pairs of near drinks with their truth, in a light and over inks of their own."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        first = np.array([rng.uniform(0, 0.4), rng.uniform(0.2, 2.2), rng.uniform(0, 0.7)])
        other = first * np.exp(rng.normal(0, 0.15, 3)) + rng.uniform(0, 0.04, 3)
        light, inks = str(rng.choice(LIGHTS)), field_reflectances(vary_inks(rng))
        both = [drink(*amounts) for amounts in (first, other)]
        yield [look(a, light, inks) for a in (*both, np.zeros(81))], [absorbance_to_lab(a) for a in both]


def read(glasses: list[GlassReading]):
    return estimate_pair(*glasses, srgb=False)


def test_equal_readings_are_no_difference_and_exchanged_glasses_change_its_sign():
    for (one, two, water), _ in pairs(1, 5):
        same = read([one, one, water])
        assert same.lab[0] == pytest.approx(same.lab[1], abs=1e-9)
        assert 0.05 < np.sqrt(np.trace(same.phone)) < 0.5  # two other drinks may read alike
        there, back = read([one, two, water]), read([two, one, water])
        assert there.lab == pytest.approx(back.lab[::-1], abs=1e-6)


def test_a_camera_and_liquids_of_no_world_are_told_better_than_they_are_read():
    errors, plain, absolute, plain_absolute, held = [], [], [], [], []
    for glasses, true in pairs(2):
        estimate, expected = read(glasses), float(ciede2000(*true))
        plain_rgb = [g.values[0] / glasses[2].values[0] for g in glasses[:2]]
        as_read = [xyz_to_lab(rgb @ RGB_TO_XYZ["Display P3"].T) for rgb in plain_rgb]
        found = compare_lab(*estimate.lab, estimate.own + estimate.scene, estimate.phone).delta_e_2000
        errors.append(abs(float(ciede2000(*estimate.lab)) - expected))
        plain.append(abs(float(ciede2000(*as_read)) - expected))
        absolute.append(float(ciede2000(estimate.lab[0], true[0])))
        plain_absolute.append(float(ciede2000(as_read[0], true[0])))
        held.append(found.low <= expected <= found.high)
    assert np.median(errors) < 0.2
    assert np.quantile(errors, 0.95) < np.quantile(plain, 0.95)
    assert np.median(absolute) < 0.75 * np.median(plain_absolute)
    assert np.mean(held) > 0.9


def test_a_field_that_one_glass_does_not_show_is_filled_in():
    for (one, two, water), _ in pairs(3, 8):
        seen = np.array([True, True, False, True, False, True])
        values = one.values.copy()
        values[1:][~seen] = 0.5  # whatever lies there
        estimate = read([replace(one, values=values, seen=seen), two, water])
        whole = read([one, two, water])
        assert float(ciede2000(*estimate.lab)) == pytest.approx(float(ciede2000(*whole.lab)), abs=0.6)


def test_light_that_is_known_badly_over_a_glass_is_told_from_a_colour_by_the_fields():
    trusted, doubted, held = [], [], []
    for number, ((one, two, water), true) in enumerate(pairs(4, 120)):
        shade = replace(two, values=two.values * (1.12 if number % 2 else 0.88))
        expected = float(ciede2000(*true))
        trusted.append(abs(float(ciede2000(*read([one, shade, water]).lab)) - expected))
        estimate = read([replace(one, part_sd=0.1), replace(shade, part_sd=0.1), water])
        doubted.append(abs(float(ciede2000(*estimate.lab)) - expected))
        found = compare_lab(*estimate.lab, estimate.own + estimate.scene, estimate.phone).delta_e_2000
        held.append(found.low <= expected <= found.high)
    assert np.median(doubted) < 0.6 * np.median(trusted)
    assert np.mean(held) > 0.9


@pytest.mark.parametrize("surfaces", [False, True])
def test_what_measured_cameras_see_of_things_without_a_glass_lies_within_its_interval(surfaces):
    lamps = ("D50", "D55", "D65", "D75", "LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5")
    rng = np.random.default_rng(21)
    worlds = draw_worlds(rng, 60, 8, measured_phones(), share=1.0, lamps=lamps, bare=True)
    worlds = worlds.take(worlds.free == surfaces)
    within, held, missed, as_read = [], [], [], []
    for k, expected in enumerate(worlds.delta_e):
        one, two = worlds.reference[k, 0], worlds.batch[k, 0]
        estimate = estimate_bare(one, two, srgb=bool(worlds.srgb[k]))
        off = estimate.lab[0] - worlds.lab[k, 0]
        # chi squared, 3 degrees, 95 %
        within.append(off @ np.linalg.solve(estimate.absolute[0], off) < 7.815)
        found = compare_lab(*estimate.lab, np.zeros((3, 3)), estimate.phone).delta_e_2000
        held.append(found.low <= expected <= found.high)
        missed.append(float(ciede2000(estimate.lab[0], worlds.lab[k, 0])))
        plain = xyz_to_lab(np.maximum(one, 0) @ RGB_TO_XYZ["Display P3"].T)
        as_read.append(float(ciede2000(plain, worlds.lab[k, 0])))
    assert 0.92 <= np.mean(within) <= 0.99
    assert 0.9 <= np.mean(held) <= 0.99
    assert np.mean(missed) < np.mean(as_read)


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_left_beside_more_noise_is_the_conditional_covariance(kind):
    # of jointly normal vectors: Rasmussen, Williams 2006, A.6
    table = branch(kind)
    usual = table.differences
    rng = np.random.default_rng(5)
    root = rng.normal(0, 0.03, usual.shape)
    noise, d = root @ root.T, rng.normal(0, 1e-3, len(usual))
    kept, lost = table.trust(d, noise)
    assert kept == pytest.approx(usual @ np.linalg.inv(usual + noise), abs=1e-8)
    posterior = usual - usual @ np.linalg.inv(usual + noise) @ usual
    assert lost + kept @ noise @ kept.T == pytest.approx(posterior, abs=1e-9)
    assert table.trust(d, np.zeros_like(noise))[0] == pytest.approx(np.eye(len(usual)), abs=1e-6)


def test_a_white_window_that_something_covers_is_no_colour():
    for (one, two, water), _ in pairs(6, 5):
        seen = two.values[0]
        for covered in (seen / 2 + 0.6, seen / 3, seen * [1.3, 1.0, 0.6]):
            values = np.concatenate([covered[None], two.values[1:]])
            with pytest.raises(PhotoError) as refused:
                read([one, replace(two, values=values, spot="batch"), water])
            assert (refused.value.code, refused.value.spot) == ("glare-over-window", "batch")


def test_a_phone_unlike_the_others_is_read_and_not_taken_for_a_reflection():
    # drawn: strong colours of a wide gamut, a green and a blue filter 3 nm and 2 nm further red than measured ones
    drawn = (
        ((1.120, 0.470, 0.000), (1.091, 0.442, 0.000), (0.866, 0.188, 0.001), (0.688, 0.039, 0.003),
         (0.345, 0.091, 0.029), (0.070, 0.083, 0.069), (0.461, 0.218, 0.001)),
        ((1.012, 0.920, 0.615), (1.057, 0.784, 0.001), (0.853, 0.364, 0.111), (0.655, 0.077, 0.203),
         (0.297, 0.233, 0.396), (0.000, 0.338, 0.615), (0.386, 0.529, 0.233)),
        ((1.000, 1.000, 1.000), (1.070, 0.862, 0.001), (0.854, 0.400, 0.226), (0.662, 0.071, 0.379),
         (0.278, 0.254, 0.652), (0.000, 0.368, 0.948), (0.374, 0.585, 0.399)),
    )  # fmt: skip
    _, _, usual = next(pairs(6, 1))[0]
    estimate = read([replace(usual, values=np.array(values)) for values in drawn])
    for lab, true in zip(estimate.lab, ((81.8, 29.8, 77.2), (96.3, -2.3, 18.6)), strict=True):
        assert ciede2000(lab, np.array(true)) < 4
