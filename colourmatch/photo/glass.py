"""Finds the glass standing on a spot: a circle where the picture changes along the radius; it knows no colours.

A circle counts by the share of its rim on which the radial change stands out from the bare paper's noise, so that
bars, glints and a lost piece of rim do not move it (a Hough vote over centre and radius; Duda, Hart 1972,
doi:10.1145/361237.361242).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Search range of the centre around the spot and of the radius: kitchen glasses of 26 to 66 mm. The far reach is
#: for a glass that stands over its ring, and is tried when none stands within.
_REACH_MM, _FAR_MM, _RADII_MM = 14.0, 28.0, (12.0, 33.5)
#: Share of the rim that must show an edge, and share of it that must lie inside the ring to be judged.
_RIM_SHARE, _IN_RING = 0.62, 0.45
#: Wall and meniscus together are no wider than this.
_WALL_MM = 5.0


@dataclass(frozen=True)
class Glass:
    """A glass on the card, millimetres: centre, radius of the innermost and of the outermost rim edge."""

    centre_mm: tuple[float, float]
    inner_mm: float
    outer_mm: float


def find_glass(
    relative: NDArray[np.float32], spot_mm: tuple[float, float], ring_mm: float, scale: float
) -> Glass | None:
    """The glass in a square crop centred on a spot, or None when no rim is seen.

    relative, float32 (H, W, 3): paper-relative linear light; scale: pixels per millimetre; ring_mm: radius of the
    printed ring, whose own line is left out.
    """
    size = _edge_strength(relative)
    height, width = size.shape
    y, x = np.mgrid[:height, :width]
    distance = np.hypot((x + 0.5) / scale - width / scale / 2, (y + 0.5) / scale - height / scale / 2)
    on_ring = np.abs(distance - ring_mm) < 1.5
    beyond = distance > ring_mm + 1.5
    noise = float(np.median(size[beyond])) if beyond.any() else 0.004
    threshold = max(4 * noise, 0.008)
    seen = ~on_ring & ~beyond
    strong = (size > threshold) & seen
    wide = cv2.dilate(strong.astype(np.uint8), np.ones((2 * round(scale) + 1,) * 2, np.uint8)) > 0
    centres = _square(np.arange(-_REACH_MM, _REACH_MM + 0.1, 2.0))
    shares = _vote(wide, scale, centres, np.arange(*_RADII_MM, 1.0))
    if shares.max() < _RIM_SHARE:
        centres = _square(np.arange(-_FAR_MM, _FAR_MM + 0.1, 2.0))
        shares = _vote(wide, scale, centres, np.arange(*_RADII_MM, 1.0), seen)
    else:
        seen = None
    if shares.max() < _RIM_SHARE:
        return None
    centre = centres[(shares**4).sum(axis=1).argmax()]
    tight = cv2.dilate(strong.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    radii = np.arange(*_RADII_MM, 0.25)
    for step in (0.8, 0.3):
        centres = centre + _square(np.arange(-3, 4) * step)
        centre = centres[(_vote(tight, scale, centres, radii, seen) ** 4).sum(axis=1).argmax()]
    shares = _vote(tight, scale, centre[None], radii, seen)[0]
    edges = radii[(shares >= _RIM_SHARE) & (shares >= 0.8 * shares.max())]
    if not len(edges):
        return None
    rim = edges[edges >= edges.max() - _WALL_MM]
    return Glass((spot_mm[0] + centre[0], spot_mm[1] + centre[1]), float(rim.min()), float(rim.max()))


def _square(shifts: Array) -> Array:
    """All pairs of shifts, shape (N, 2)."""
    return np.stack(np.meshgrid(shifts, shifts), axis=-1).reshape(-1, 2)


def _edge_strength(relative: NDArray[np.float32]) -> NDArray[np.float32]:
    """Gradient per pixel of the channel that changes most, of lightly smoothed logarithms."""
    logs = np.log(np.maximum(cv2.GaussianBlur(relative, (0, 0), 0.8), np.float32(0.02)))
    gx, gy = (cv2.Sobel(logs, cv2.CV_32F, *order, ksize=3) / 8 for order in ((1, 0), (0, 1)))
    square = gx**2 + gy**2
    return np.sqrt(np.maximum(np.maximum(square[..., 0], square[..., 1]), square[..., 2]))


def _vote(
    edge: NDArray[np.bool_], scale: float, centres: Array, radii: Array, seen: NDArray[np.bool_] | None = None
) -> Array:
    """Share of each circle's rim on an edge, shape (centres, radii); centres in mm from the crop's middle.

    seen: where an edge can be seen; when given, the share is that of the part seen, 0 where it is too small.
    """
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    height, width = edge.shape
    cx = (centres[:, 0] + width / 2 / scale)[:, None, None]
    cy = (centres[:, 1] + height / 2 / scale)[:, None, None]
    px = ((cx + radii[None, :, None] * np.cos(turn)) * scale).astype(np.int32)
    py = ((cy + radii[None, :, None] * np.sin(turn)) * scale).astype(np.int32)
    inside = (px >= 0) & (py >= 0) & (px < width) & (py < height)
    at = np.clip(py, 0, height - 1), np.clip(px, 0, width - 1)
    share = np.count_nonzero(edge[at] & inside, axis=-1) / len(turn)
    if seen is None:
        return share
    visible = (seen[at] & inside).mean(axis=-1)
    return np.where(visible >= _IN_RING, share / np.maximum(visible, _IN_RING), 0.0)
