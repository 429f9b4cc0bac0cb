"""One spot of a drawn card: its tint, glints and bars come back as drawn, and a glass is found where it stands."""

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from drawn_card import BLACK, draw_block, grid_mm, lay_glass, to_flat

from colourmatch.photo.card import read_card
from colourmatch.photo.field import LightField
from colourmatch.photo.flat import mask_paper
from colourmatch.photo.glass import Glass, find_glass
from colourmatch.photo.light import fit_light
from colourmatch.photo.spot import WALL_MARGIN_MM, SpotReading, read_spot

S = 4
CARD = read_card()
X, Y = (a[..., None] for a in grid_mm(S))
LEVEL = 0.6
TINT = np.array([0.78, 0.42, 0.20])
WINDOW_MM2 = np.pi * CARD.window_radius_mm**2
INNER_MM = 22.0
BARE = draw_block(S)[..., None].repeat(3, axis=-1)


def shine(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A light that falls by a tenth from left to right."""
    return LEVEL * (1 - 0.1 * x / 250) * np.ones_like(y)


@cache
def light() -> LightField:
    """The light of all cards here, known as well as paper can tell it."""
    return fit_light(to_flat(BARE * shine(X, Y), S, noise_codes=1.0), mask_paper(CARD, S), tuple(range(6)))


def pour(tint: np.ndarray = TINT, shift: tuple[float, float] = (0, 0)) -> np.ndarray:
    """A card with a glass of a tint on the batch spot, relative to paper, (H, W, 3)."""
    x, y = CARD.spots["batch"]
    return lay_glass(BARE, S, (x + shift[0], y + shift[1]), INNER_MM, tint)


def read(relative: np.ndarray, spot: str = "batch", noise: float = 1.0, seed: int = 2) -> SpotReading:
    return read_spot(to_flat(relative * shine(X, Y), S, noise, seed), light(), spot)


def in_window(shift: tuple[float, float], radius_mm: float) -> np.ndarray:
    """A disc at a shift from the middle of the batch window, (H, W)."""
    x, y = CARD.window_centre_mm("batch")
    return (np.hypot(X - x - shift[0], Y - y - shift[1]) < radius_mm)[..., 0]


@pytest.mark.parametrize("tint", [(0.93, 0.93, 0.93), (0.97, 0.93, 0.75), (0.78, 0.42, 0.20), (0.5, 0.12, 0.08)])
def test_a_tint_is_read_as_it_was_drawn(tint):
    reading = read(pour(np.array(tint)))
    variance = np.array(tint) ** 2 * light().covariance([CARD.window_centre_mm("batch")])[0, 0]
    sd = np.sqrt(np.diag(reading.rgb_cov) + variance)
    assert reading.present
    assert reading.rgb == pytest.approx(tint, rel=0.004, abs=0.001)
    assert (np.abs(reading.rgb - tint) < 3 * sd).all()
    assert reading.glint_share < 0.01
    assert not any(reading.empty) and not any(reading.full)


def blotch(seed: int, strength: float, mm: float) -> np.ndarray:
    """Noise with a grain of some millimetres and a common part in the channels, near 1, (H, W, 3)."""
    rng = np.random.default_rng(seed)
    grains = [cv2.GaussianBlur(rng.normal(size=(180, 250)), (0, 0), mm) for _ in range(4)]
    field = np.stack([grains[3] + 0.5 * grains[c] for c in range(3)], axis=-1)
    return 1 + strength * cv2.resize(field / field.std(), (BARE.shape[1], BARE.shape[0]))


def test_covariance_is_that_of_repeated_photos():
    means, said = [], []
    for seed in range(8):
        card = BARE
        for centre in CARD.spots.values():
            card = lay_glass(card, S, centre, INNER_MM, TINT)
        flat = to_flat(card * blotch(seed, 0.03, 1.0) * shine(X, Y), S, 1.0, seed)
        for spot in CARD.spots:
            reading = read_spot(flat, light(), spot)
            means.append(reading.rgb)
            said.append(reading.rgb_cov)
    truth, said = np.cov((np.array(means) - TINT).T), np.mean(said, axis=0)
    # 24 readings know a variance to a factor of 1.7 (chi square, 95 %); a grain across block edges hides
    # a little of itself
    ratio = np.diag(said) / np.diag(truth)
    assert ((ratio > 0.5) & (ratio < 2.0)).all()
    correlation = said[0, 1] / np.sqrt(said[0, 0] * said[1, 1])
    assert correlation == pytest.approx(truth[0, 1] / np.sqrt(truth[0, 0] * truth[1, 1]), abs=0.4)


@pytest.mark.parametrize("radius_mm", [1.0, 4.0])
def test_glints_and_specks_are_left_out_and_their_share_told(radius_mm):
    card = pour()
    card[in_window((2, -1), radius_mm)] = 1.6
    reading = read(card)
    assert reading.rgb == pytest.approx(TINT, rel=0.006)
    # the glint and a rim of two pixels, half a millimetre, around it
    rim = np.pi * np.array([radius_mm, radius_mm + 0.9]) ** 2 / WINDOW_MM2
    assert rim[0] <= reading.glint_share <= rim[1]
    rng = np.random.default_rng(4)
    specks = pour()
    for dx, dy in rng.uniform(-6, 6, (12, 2)):
        specks[in_window((dx, dy), 0.6)] = rng.choice([0.1, 1.5])
    assert read(specks).rgb == pytest.approx(TINT, rel=0.008)


@pytest.mark.parametrize("shift", [(9, 0), (-8, 6)])
def test_an_off_centre_glass_is_read_where_it_holds_liquid(shift):
    reading = read(pour(shift=shift))
    gx, gy = np.array(CARD.spots["batch"]) + shift
    kept = np.hypot(X - gx, Y - gy)[..., 0] < INNER_MM - WALL_MARGIN_MM
    window = in_window((0, 0), CARD.window_radius_mm)
    share = (kept & window).sum() / window.sum()
    # the rim is found up to 1.1 mm inside the wall
    tight = (np.hypot(X - gx, Y - gy)[..., 0] < INNER_MM - WALL_MARGIN_MM - 1.1) & window
    assert tight.sum() / window.sum() - 0.01 <= reading.window_share <= share + 0.01
    assert reading.rgb == pytest.approx(TINT, rel=0.006)


@pytest.mark.parametrize(
    ("tint", "empty", "full"),
    [
        ((0.7, 0.10, 0.002), (False, False, True), (False,) * 3),
        ((1.75, 0.9, 0.5), (False,) * 3, (True, False, False)),
    ],
)
def test_an_empty_and_a_full_channel_are_named(tint, empty, full):
    reading = read(pour(np.array(tint)))
    assert (tuple(reading.empty), tuple(reading.full)) == (empty, full)


def test_a_glass_cut_off_by_the_frame_is_read_where_it_is_seen():
    flat = to_flat(pour() * shine(X, Y), S, 1.0)
    inside = flat.inside.copy()
    inside[:, round((CARD.spots["batch"][0] - 14) * S) :: -1] = False
    codes = np.where(inside[..., None], flat.codes, 0).astype(np.uint8)
    reading = read_spot(replace(flat, inside=inside, codes=codes), light(), "batch")
    assert reading.present
    assert reading.rgb == pytest.approx(TINT, rel=0.006)


@pytest.mark.parametrize("level", [0.95, 0.2])
def test_bars_through_a_clear_liquid_keep_their_ratio(level):
    bars = read_spot(to_flat(pour(np.full(3, level)) * shine(X, Y), S, 0.5), light(), "batch").bars
    assert bars.bright == pytest.approx(level, rel=0.03)
    # one code at the bottom of the range is 0.006
    assert bars.dark / bars.bright == pytest.approx(BLACK, abs=0.012)


SPOT = CARD.spots["batch"]
RING_MM = CARD.ring_diameter_mm / 2
HALF_MM = RING_MM + 2.5
TINTS = {"water": (0.93,) * 3, "straw": (0.97, 0.94, 0.8), "red": (0.8, 0.2, 0.08), "tea": (0.25, 0.08, 0.02)}


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


@pytest.mark.parametrize("tint", TINTS)
@pytest.mark.parametrize(("dx", "dy", "inner_mm"), [(3.2, -2.1, 22), (-5, 4, 18), (1, 1, 29)])
def test_a_glass_is_found_where_it_stands(tint, dx, dy, inner_mm):
    centre = (SPOT[0] + dx, SPOT[1] + dy)
    check_found(look(lay_glass(BARE, S, centre, inner_mm, TINTS[tint])), centre, inner_mm)


@pytest.mark.parametrize("tint", ["water", "red"])
@pytest.mark.parametrize(("dx", "dy"), [(22, 0), (-20, 6), (16, -15)])
def test_a_glass_over_its_ring_is_found_too(tint, dx, dy):
    centre = (SPOT[0] + dx, SPOT[1] + dy)
    glass = look(lay_glass(BARE, S, centre, 22, TINTS[tint]))
    # a part of its rim is out of sight
    assert np.hypot(glass.centre_mm[0] - centre[0], glass.centre_mm[1] - centre[1]) < 1.2
    assert 22 - 2.0 <= glass.inner_mm <= 22 + 1.0


def lay_glints(picture: np.ndarray, x: float, y: float) -> np.ndarray:
    """Glints and bubbles of radius r, relative to a glass."""
    glints = [(-6, -9, 2.5, 1.9), (8, 5, 2, 1.9), (14, -12, 3, 1.5), (-20, 3, 1, 0.3), (0, 12, 1, 0.3)]
    for dx, dy, r, level in glints:
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
    check_found(look(disturb(lay_glass(BARE, S, centre, 22, TINTS["red"]), *centre)), centre, 22)


@pytest.mark.parametrize("noise", [0.0, 0.006, 0.03])
def test_bare_paper_with_its_bars_and_ring_is_no_glass(noise):
    assert look(BARE, noise) is None


def test_a_shadow_half_a_circle_and_a_square_are_no_glass():
    square = (np.abs(X - SPOT[0]) < 17) & (np.abs(Y - SPOT[1]) < 17)
    half = np.where(X - SPOT[0] > 0, lay_glass(BARE, S, SPOT, 22, TINTS["red"]), BARE)
    shaded = BARE * np.where(X + 0.3 * Y - SPOT[0] > 25, 0.7, 1.0)
    for picture in (shaded, half, np.where(square, 0.4 * BARE, BARE)):
        assert look(picture) is None


@pytest.mark.parametrize("angle", [0, 60, 135])
@pytest.mark.parametrize("away_mm", [0, 12, 25])
def test_a_hand_over_a_part_of_the_ring_is_no_glass(angle, away_mm):
    turn = np.radians(angle)
    across = (X - SPOT[0]) * np.cos(turn) + (Y - SPOT[1]) * np.sin(turn)
    along = (Y - SPOT[1]) * np.cos(turn) - (X - SPOT[0]) * np.sin(turn)
    finger = (across > away_mm) & (np.abs(along) < 9)
    assert look(np.where(finger, np.array([0.5, 0.35, 0.28]), BARE)) is None
