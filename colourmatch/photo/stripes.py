"""Fine stripes over the bare paper, as pixels of a screen or a flickering lamp make them; it knows paper, not causes.

A camera samples a screen's grid of pixels and shows the beat of both grids: a few pure tones in space that lie over all
the paper (aliasing; Shannon 1949, Communication in the Presence of Noise, doi:10.1109/JRPROC.1949.232969). Paper, noise
and compression spread their power over many frequencies, so a tone is recognised by the part of the power that it holds. Screens
whose grid the camera blurs away show none, and are not found.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from colourmatch.photo.card import Card, read_card
from colourmatch.photo.flat import WHOLE_PX_PER_MM, FlatCard, mask_paper
from colourmatch.photo.load import Photo
from colourmatch.photo.locate import CardPose
from colourmatch.photo.opencv import cv2
from colourmatch.records import Array

#: Side of the squares of paper that are looked at, in pixels, and how many at most of each of the two pictures.
_SIDE, _MOST, _FEWEST = 32, 24, 6
#: Stripes hold most of a square's power in their two strongest tones, and are this deep (amplitude, part of the light).
_SHARE, _DEPTH = 0.5, 0.01
#: Slower changes than this (periods to a square) are the light's own.
_SLOWEST = 1.75
#: Weights of linear red, green and blue in luminance (IEC 61966-2-1); colour noise is coarse and slow in a JPEG.
_LUMA = np.array([0.2126, 0.7152, 0.0722])


def find_stripes(photo: Photo, pose: CardPose, whole: FlatCard) -> float:
    """Depth of fine stripes over the bare paper (amplitude, part of the paper's light), 0 when there are none.

    Looked for twice: in the photo's own pixels, and in the coarse flat card, which shows what is wider. Stripes must
    lie over most of the squares of paper.
    """
    version, side_mm = whole.card.version, _SIDE / WHOLE_PX_PER_MM
    slanted_mm = float(np.ceil(1.1 * np.sqrt(2) * _SIDE / pose.px_per_mm))  # the photo's rows run across the card's
    seen = photo.to_linear(_cut(photo.rgb, pose.project(_place_squares(version, slanted_mm))))
    middles = _place_squares(version, side_mm) * WHOLE_PX_PER_MM - 0.5
    wide = whole.decode_table[np.arange(3), _cut(whole.codes, middles)]
    return max(_depth_of_tones(seen @ _LUMA), _depth_of_tones(wide @ _LUMA))


@cache
def _place_squares(version: int, side_mm: float) -> Array:
    """Middles of squares of bare paper, shape (N, 2) in millimetres, spread over the card."""
    card: Card = read_card(version)
    paper = np.pad(mask_paper(card, WHOLE_PX_PER_MM).astype(np.uint8), 1)
    size = round(side_mm * WHOLE_PX_PER_MM) + 1
    room = cv2.erode(paper, np.ones((size, size), np.uint8))[1:-1, 1:-1]
    step = max(size // 2, 8)
    rows, cols = np.nonzero(room[::step, ::step])
    middles = np.stack([cols, rows], axis=1) * step / WHOLE_PX_PER_MM
    return np.asarray(middles[:: max(-(-len(middles) // _MOST), 1)], float)


def _cut(rgb: NDArray[np.uint8], middles_px: Array) -> NDArray[np.uint8]:
    """The squares about points that lie wholly in a picture, shape (N, side, side, 3)."""
    corners = np.rint(middles_px).astype(int) - _SIDE // 2
    fits = (corners >= 0).all(axis=1) & (corners <= np.array(rgb.shape[1::-1]) - _SIDE).all(axis=1)
    squares = [rgb[y : y + _SIDE, x : x + _SIDE] for x, y in corners[fits]]
    return np.stack(squares) if squares else np.empty((0, _SIDE, _SIDE, 3), np.uint8)


def _depth_of_tones(light: Array) -> float:
    """Median depth of the two strongest tones of squares, shape (N, side, side); 0 where they hold too little."""
    if len(light) < _FEWEST:
        return 0.0
    bare = light / np.maximum(light.mean(axis=(1, 2), keepdims=True), 1e-6) - 1
    slope = np.linspace(-1, 1, _SIDE)
    for along in (slope[:, None] + 0 * slope, slope + 0 * slope[:, None]):
        bare = bare - (bare * along).sum(axis=(1, 2), keepdims=True) / (along**2).sum() * along
    window = np.hanning(_SIDE + 1)[:-1]
    window = np.outer(window, window)
    power = (np.abs(np.fft.fft2(bare * window)) ** 2).reshape(len(light), -1)
    total, tones = power.sum(axis=1), np.zeros(len(light))
    fast, around = _neighbours()
    for _ in range(2):
        strongest = np.where(fast, power, 0.0).argmax(axis=1)
        block = np.zeros(power.shape, bool)
        np.put_along_axis(block, around[strongest], True, axis=1)
        tones += np.where(block, power, 0.0).sum(axis=1)
        power = np.where(block, 0.0, power)
    share = np.median(tones / np.maximum(total, 1e-12))
    # Parseval; a tone of amplitude a has the mean square a^2 / 2
    depth = np.sqrt(2 * np.median(tones) / (_SIDE**2 * (window**2).sum()))
    return float(depth) if share > _SHARE and depth > _DEPTH else 0.0


@cache
def _neighbours() -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Which frequencies are fast enough, shape (F,), and the 3 x 3 about each and about its mirror image, (F, 18)."""
    cycles = np.fft.fftfreq(_SIDE) * _SIDE
    fast = np.hypot(cycles[:, None], cycles).ravel() >= _SLOWEST
    row, col = (index.ravel()[:, None] for index in np.indices((_SIDE, _SIDE)))
    down, right = (step.ravel() for step in np.indices((3, 3)) - 1)
    blocks = [(sign * row + down) % _SIDE * _SIDE + (sign * col + right) % _SIDE for sign in (1, -1)]
    return fast, np.hstack(blocks)
