"""The card seen flat: a whole picture of it for paper and greys, and a finer one of the band where the glasses stand.

It knows where the card lies and how codes become light; it refuses to know what the pictures show.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from colourmatch.photo.card import Card
from colourmatch.photo.load import Photo
from colourmatch.photo.locate import CardPose
from colourmatch.photo.opencv import cv2
from colourmatch.records import Array

Image32 = NDArray[np.float32]

#: Pixels per millimetre of the picture of the whole card: a cell of 5 mm still has a hundred.
WHOLE_PX_PER_MM = 2
#: How far the finer band reaches beyond the rings.
_BAND_MARGIN_MM = 3.0


@dataclass(frozen=True)
class FlatCard:
    """A flat picture of the card: 8-bit codes (H, W, 3), whether each pixel was in the photo, how codes become light.

    It shows the full width from top_mm down. decode_table, float32 (3, 256); coarseness: 1 where the photo resolves a
    clarity bar well, more where it does not.
    """

    codes: NDArray[np.uint8]
    inside: NDArray[np.bool_]
    px_per_mm: int
    card: Card
    decode_table: NDArray[np.float32]
    coarseness: float = 1.0
    top_mm: float = 0.0

    def redecoded(self, table: NDArray[np.float32]) -> FlatCard:
        """The same picture decoded by another table (3, 256)."""
        return replace(self, decode_table=table)

    def decode(self, rows: slice, cols: slice) -> Image32:
        """Linear light of a crop, float32 (h, w, 3): only what is looked at is decoded."""
        return decode(self.codes[rows, cols], self.decode_table)

    def crop(self, centre_mm: tuple[float, float], half_mm: float) -> tuple[slice, slice]:
        """Rows and columns of a square around a point of the card."""
        s = self.px_per_mm
        rows, cols = self.inside.shape
        x0, y0 = round((centre_mm[0] - half_mm) * s), round((centre_mm[1] - self.top_mm - half_mm) * s)
        side = round(2 * half_mm * s)
        return slice(max(y0, 0), min(y0 + side, rows)), slice(max(x0, 0), min(x0 + side, cols))

    def positions(self, rows: slice, cols: slice) -> tuple[Array, Array]:
        """Millimetres x (1, W) and y (H, 1) of the pixel centres of a crop."""
        s = self.px_per_mm
        x = (np.arange(cols.start, cols.stop) + 0.5) / s
        y = (np.arange(rows.start, rows.stop) + 0.5) / s + self.top_mm
        return x[None, :], y[:, None]


def decode(codes: NDArray[np.uint8], table: NDArray[np.float32]) -> Image32:
    """Linear light of codes, shape (..., 3), by a table (3, 256)."""
    return np.asarray(cv2.LUT(np.ascontiguousarray(codes), np.ascontiguousarray(table.T[None])), np.float32)


def flatten_card(photo: Photo, pose: CardPose, card: Card) -> tuple[FlatCard, FlatCard]:
    """The card resampled to whole pixels per millimetre: all of it coarsely, then finely the band of the glasses."""
    # a photo finer than the coarse picture is averaged over its pixels first, which is what lowers their noise
    factor = max(int(pose.px_per_mm / WHOLE_PX_PER_MM), 1)
    size = photo.rgb.shape[1] // factor, photo.rgb.shape[0] // factor
    small = photo.rgb[: size[1] * factor, : size[0] * factor]
    if factor > 1:
        small = np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_AREA), np.uint8)
    # pixel (j, i) of a picture has its centre at (j + 0.5, i + 0.5) times the side of a pixel
    to_small = np.array([[1 / factor, 0, 0.5 / factor - 0.5], [0, 1 / factor, 0.5 / factor - 0.5], [0, 0, 1]])
    middles = [y for _, y in card.spots.values()]
    reach = card.ring_diameter_mm / 2 + _BAND_MARGIN_MM
    fine = int(np.clip(np.ceil(pose.px_per_mm), 4, 6))
    coarseness, table = _coarseness(pose), photo.profile.decode_table
    whole = _flatten(small, to_small @ pose.to_px, card, (WHOLE_PX_PER_MM, 0.0, card.block_mm[1]))
    band = _flatten(photo.rgb, pose.to_px, card, (fine, min(middles) - reach, max(middles) + reach))
    return (
        FlatCard(*whole, WHOLE_PX_PER_MM, card, table, coarseness),
        FlatCard(*band, fine, card, table, coarseness, min(middles) - reach),
    )


def _flatten(
    rgb: NDArray[np.uint8], to_px: Array, card: Card, cut: tuple[int, float, float]
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Codes of a band of the card, and where they were in the photo; cut: pixels per millimetre, its top, its bottom."""
    s, top, bottom = cut
    size = round(card.block_mm[0] * s), round((bottom - top) * s)
    to_mm = np.array([[1 / s, 0, 0.5 / s], [0, 1 / s, 0.5 / s + top], [0, 0, 1]])
    matrix = to_px @ to_mm
    codes = cv2.warpPerspective(rgb, matrix, size, flags=_warp(), borderMode=cv2.BORDER_REPLICATE)
    corners = np.array([(x, y, 1) for x in (0, card.block_mm[0]) for y in (top, bottom)]) @ to_px.T
    corners = corners[:, :2] / corners[:, 2:]
    # the picture of a rectangle within a camera's view is convex: it lies in the photo when its corners do
    if (corners >= 1).all() and (corners < np.array([rgb.shape[1], rgb.shape[0]]) - 2).all():
        return np.asarray(codes, np.uint8), np.ones(size[::-1], bool)
    seen = np.full(rgb.shape[:2], 255, np.uint8)
    return np.asarray(codes, np.uint8), np.asarray(cv2.warpPerspective(seen, matrix, size, flags=_warp()) > 250)


def _coarseness(pose: CardPose) -> float:
    """1 where a photo resolves the clarity bars well, larger where its edges (0.4 mm) or pixels (4.2 per mm) do not."""
    return max(pose.edge_mm / 0.4, (4.2 / pose.px_per_mm) ** 2, 1.0)


def mask_paper(card: Card, px_per_mm: int) -> NDArray[np.bool_]:
    """Where the flat card is bare paper for certain: outside markers, grey steps and rings, with a margin."""
    s = px_per_mm
    mask = np.full((round(card.block_mm[1] * s), round(card.block_mm[0] * s)), 255, np.uint8)

    def block(centre: tuple[float, float], size: float) -> None:
        low = [round((c - size / 2) * s) for c in centre]
        high = [round((c + size / 2) * s) for c in centre]
        cv2.rectangle(mask, low, high, 0, -1)

    for centre in card.marker_centres_mm.values():
        block(centre, card.marker_size_mm + 3)
    for step in card.greys:
        block(step.centre_mm, card.grey_size_mm + 3)
    for centre in card.spots.values():
        cv2.circle(mask, [round(c * s) for c in centre], round((card.ring_diameter_mm / 2 + 1.5) * s), 0, -1)
    return mask > 0


def _warp() -> int:
    return cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
