"""The card drawn flat from its file, for tests whose truth is geometry: no lens, no camera, no liquid.

Values are reflectances relative to bare paper; encoding is that of sRGB.
"""

from functools import cache

import cv2
import numpy as np
from drawn import display_p3_profile
from known_pictures import to_file
from numpy.typing import NDArray

from colourmatch.colour.spaces import decode_srgb, encode_srgb
from colourmatch.photo.card import Card, marker_bits, read_card
from colourmatch.photo.flat import FlatCard

Array = NDArray[np.float64]
DECODE_TABLE = np.tile(decode_srgb(np.arange(256) / 255).astype(np.float32), (3, 1))
BLACK, RING_TONE = 0.04, 0.45


def draw_block(s: int, greys_power: float = 1.0, markers: bool = True) -> Array:
    """The block of the card at s pixels per millimetre (even), shape (180 s, 250 s), 1 is bare paper."""
    card = read_card()
    block = np.ones((round(card.block_mm[1] * s), round(card.block_mm[0] * s)))
    for i in card.marker_centres_mm if markers else ():
        x, y = card.marker_corners_mm(i)[0]
        rows, cols = _cells(y, s, card.marker_size_mm), _cells(x, s, card.marker_size_mm)
        cell = ((np.arange(rows.stop - rows.start) + 0.5) / (rows.stop - rows.start) * 8).astype(int)
        block[rows, cols] = np.where(marker_bits(i)[np.ix_(cell, cell)], BLACK, 1.0)
    for step in card.greys:
        x, y = np.array(step.centre_mm) - card.grey_size_mm / 2
        at = _cells(y, s, card.grey_size_mm), _cells(x, s, card.grey_size_mm)
        block[at] = step.reflectance**greys_power
    for spot in card.spots:
        _draw_spot(block, s, card, spot)
    return block


def _draw_spot(block: Array, s: int, card: Card, spot: str) -> None:
    x, y = grid_mm(s)
    cx, cy = card.spots[spot]
    block[np.abs(np.hypot(x - cx, y - cy) - card.ring_diameter_mm / 2) < 0.2] = RING_TONE
    for left, top, width, height in card.black_bars_mm(spot):
        block[_cells(top, s, height), _cells(left, s, width)] = BLACK


def _cells(start_mm: float, s: int, size_mm: float) -> slice:
    return slice(round(start_mm * s), round((start_mm + size_mm) * s))


def grid_mm(s: int) -> tuple[Array, Array]:
    """Millimetres x (1, W) and y (H, 1) of the pixel centres of a block drawn at s pixels per millimetre."""
    width, height = read_card().block_mm
    return (np.arange(round(width * s))[None] + 0.5) / s, (np.arange(round(height * s))[:, None] + 0.5) / s


def lay_glass(block: Array, s: int, centre_mm: tuple[float, float], inner_mm: float, tint: Array) -> Array:
    """A block (H, W, 3) with a glass on it: a darker wall of 1.5 mm round a liquid of a tint (3,)."""
    x, y = grid_mm(s)
    away = np.hypot(x - centre_mm[0], y - centre_mm[1])
    out = block.copy()
    out[away <= inner_mm] *= np.asarray(tint, float)
    out[(away > inner_mm) & (away <= inner_mm + 1.5)] *= 0.7
    return out


def to_flat(linear: Array, s: int, noise_codes: float = 0.0, seed: int = 1) -> FlatCard:
    """A flat card of linear values in 0 to 1, shape (H, W, 3), as 8-bit sRGB codes with noise (in codes)."""
    codes = 255 * encode_srgb(linear)
    if noise_codes:
        codes = codes + np.random.default_rng(seed).normal(0, noise_codes, codes.shape)
    inside = np.ones(linear.shape[:2], bool)
    return FlatCard(np.clip(np.rint(codes), 0, 255).astype(np.uint8), inside, s, read_card(), DECODE_TABLE)


_draw_block_once = cache(draw_block)


def photograph(
    to_px: Array, size: tuple[int, int], hidden: tuple[int, ...] = (), under: NDArray[np.uint8] | None = None
) -> NDArray[np.uint8]:
    """The card on its A4 sheet on a table through a homography, millimetres to pixels, uint8 (H, W, 3).

    hidden: markers under a piece of table; under: a picture that the sheet is laid on instead of the table.
    """
    s, margin, over = 8, 15, 2
    card = _draw_block_once(s).copy()
    for i in hidden:
        (x, y), r = read_card().marker_centres_mm[i], 12
        rows, cols = (slice(max(round((v - r) * s), 0), round((v + r) * s)) for v in (y, x))
        card[rows, cols] = 0.2
    sheet = np.full((card.shape[0] + 2 * margin * s, card.shape[1] + 2 * margin * s), 1.0)
    sheet[margin * s : -margin * s, margin * s : -margin * s] = card
    # the sheet's pixel j has its centre at millimetre (j + 0.5) / s - margin; likewise in the finer picture
    to_mm = np.array([[1 / s, 0, 0.5 / s - margin], [0, 1 / s, 0.5 / s - margin], [0, 0, 1]])
    finer = np.array([[over, 0, (over - 1) / 2], [0, over, (over - 1) / 2], [0, 0, 1]])
    fine = (size[0] * over, size[1] * over)
    pixels = np.round(255 * encode_srgb(0.75 * sheet)).astype(np.uint8)
    seen = cv2.warpPerspective(pixels, finer @ to_px @ to_mm, fine, flags=cv2.INTER_LINEAR, borderValue=0)
    grey = cv2.resize(seen, size, interpolation=cv2.INTER_AREA)
    picture = np.full((size[1], size[0]), 110, np.uint8) if under is None else under[..., 0].copy()
    outline = cv2.warpPerspective(np.ones_like(pixels), to_px @ to_mm, size, flags=cv2.INTER_NEAREST) > 0
    return np.where(outline, grey, picture)[..., None].repeat(3, axis=-1)


def to_jpeg(rgb: NDArray[np.uint8], gamut: str = "srgb", quality: int = 95) -> bytes:
    """A picture as the file that a camera of that gamut writes."""
    return to_file(rgb, quality=quality, icc_profile=display_p3_profile() if gamut == "p3" else None)
