"""Glasses drawn at known places are found there, whatever is in them, and nothing else is taken for one."""

import numpy as np
import pytest
from drawn_card import draw_block, grid_mm, lay_glass

from colourmatch.photo.card import read_card
from colourmatch.photo.glass import Glass, find_glass

S = 4
CARD = read_card()
SPOT = CARD.spots["batch"]
RING_MM = CARD.ring_diameter_mm / 2
HALF_MM = RING_MM + 2.5
BLOCK = draw_block(S)[..., None].repeat(3, axis=-1)
X, Y = (a[..., None] for a in grid_mm(S))
TINTS = {
    "water": (0.93, 0.93, 0.93),
    "straw": (0.97, 0.94, 0.80),
    "red": (0.80, 0.20, 0.08),
    "black tea": (0.25, 0.08, 0.02),
}


def look(picture: np.ndarray, noise: float = 0.006, seed: int = 1) -> Glass | None:
    """What is found in the crop around the batch spot."""
    rows, cols = (slice(round((c - HALF_MM) * S), round((c + HALF_MM) * S)) for c in SPOT[::-1])
    crop = picture[rows, cols]
    crop = crop * (1 + np.random.default_rng(seed).normal(0, noise, crop.shape))
    return find_glass(crop.astype(np.float32), SPOT, RING_MM, S)


def check_found(glass: Glass | None, centre: tuple[float, float], inner_mm: float) -> None:
    assert glass is not None
    assert np.hypot(glass.centre_mm[0] - centre[0], glass.centre_mm[1] - centre[1]) < 0.5
    # an edge is a band of some four pixels, here 1 mm, whose inner side is what is given, so that the window keeps off it
    assert inner_mm - 1.1 <= glass.inner_mm <= inner_mm + 0.3


# Geometry with known truth


@pytest.mark.parametrize("tint", TINTS)
@pytest.mark.parametrize(("dx", "dy", "inner_mm"), [(3.2, -2.1, 22), (-5, 4, 18), (1, 1, 29)])
def test_a_glass_is_found_where_it_stands(tint, dx, dy, inner_mm):
    centre = (SPOT[0] + dx, SPOT[1] + dy)
    check_found(look(lay_glass(BLOCK, S, centre, inner_mm, TINTS[tint])), centre, inner_mm)


@pytest.mark.parametrize("tint", ["water", "red"])
@pytest.mark.parametrize(("dx", "dy"), [(22, 0), (-20, 6), (16, -15)])
def test_a_glass_over_its_ring_is_found_too(tint, dx, dy):
    centre = (SPOT[0] + dx, SPOT[1] + dy)
    glass = look(lay_glass(BLOCK, S, centre, 22, TINTS[tint]))
    # a part of its rim is out of sight
    assert np.hypot(glass.centre_mm[0] - centre[0], glass.centre_mm[1] - centre[1]) < 1.2
    assert 22 - 2.0 <= glass.inner_mm <= 22 + 1.0


def lay_glints(picture: np.ndarray, x: float, y: float) -> np.ndarray:
    """Glints and bubbles of radius r, relative to a glass."""
    for dx, dy, r, level in [
        (-6, -9, 2.5, 1.9),
        (8, 5, 2, 1.9),
        (14, -12, 3, 1.5),
        (-20, 3, 1, 0.3),
        (0, 12, 1, 0.3),
    ]:
        picture[np.hypot(X - x - dx, Y - y - dy)[..., 0] < r] = level
    return picture


def hide_rim(picture: np.ndarray, x: float, y: float) -> np.ndarray:
    picture[(np.hypot(X - x - 22, Y - y) < 9)[..., 0]] = 1.7
    return picture


def slant_light(picture: np.ndarray, x: float, y: float) -> np.ndarray:
    return picture * (1 + 0.004 * (X - x))


def coarsen(picture: np.ndarray, x: float, y: float) -> np.ndarray:
    halved = picture.reshape(picture.shape[0] // 2, 2, -1, 2, 3).mean(axis=(1, 3))
    return halved.repeat(2, axis=0).repeat(2, axis=1)


@pytest.mark.parametrize("disturb", [lay_glints, hide_rim, slant_light, coarsen])
def test_what_disturbs_the_picture_does_not_move_it(disturb):
    centre = (SPOT[0] + 2, SPOT[1] + 1)
    check_found(look(disturb(lay_glass(BLOCK, S, centre, 22, TINTS["red"]), *centre)), centre, 22)


# Nothing there


@pytest.mark.parametrize("noise", [0.0, 0.006, 0.03])
def test_bare_paper_with_its_bars_and_ring_is_no_glass(noise):
    assert look(BLOCK, noise) is None


def test_a_shadow_half_a_circle_and_a_square_are_no_glass():
    square = (np.abs(X - SPOT[0]) < 17) & (np.abs(Y - SPOT[1]) < 17)
    half = np.where(X - SPOT[0] > 0, lay_glass(BLOCK, S, SPOT, 22, TINTS["red"]), BLOCK)
    shaded = BLOCK * np.where(X + 0.3 * Y - SPOT[0] > 25, 0.7, 1.0)
    for picture in (shaded, half, np.where(square, 0.4 * BLOCK, BLOCK)):
        assert look(picture) is None


@pytest.mark.parametrize("angle", [0, 60, 135])
@pytest.mark.parametrize("away_mm", [0, 12, 25])
def test_a_hand_over_a_part_of_the_ring_is_no_glass(angle, away_mm):
    turn = np.radians(angle)
    across = (X - SPOT[0]) * np.cos(turn) + (Y - SPOT[1]) * np.sin(turn)
    along = (Y - SPOT[1]) * np.cos(turn) - (X - SPOT[0]) * np.sin(turn)
    finger = (across > away_mm) & (np.abs(along) < 9)
    assert look(np.where(finger, np.array([0.5, 0.35, 0.28]), BLOCK)) is None
