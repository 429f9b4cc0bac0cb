"""Finds the glass standing on a spot: a circle where the picture changes along the radius; it knows no colours.

A circle counts by the share of its rim on which the radial change stands out from the bare paper's noise, so that
bars, glints and a lost piece of rim do not move it (a Hough vote over centre and radius; Duda, Hart 1972,
doi:10.1145/361237.361242).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from colourmatch.photo.opencv import cv2
from colourmatch.records import Array

#: Search range of the centre around the spot and of the radius: kitchen glasses of 26 to 66 mm. The far reach is
#: for a glass that stands over its ring, and is tried when none stands within.
_REACH_MM, _FAR_MM, _RADII_MM = 14.0, 28.0, (12.0, 33.5)
#: Share of the rim that must show an edge, and share of it that must lie inside the ring to be judged.
_RIM_SHARE, _IN_RING = 0.62, 0.45
#: Wall and meniscus together are no wider than this.
_WALL_MM = 5.0
#: How far a bottom may show the fields beside their place.
_PRINT_MM = 2.0
#: Step of the radius, and reach and step of the centre, as a glass that was found is placed more closely.
_FINE_MM, _CLOSER_MM = 0.25, ((2.4, 0.8), (0.9, 0.3))
#: How far from a radius of the coarse search the finer ones look: as far as the centre may still move, and its own step.
_NEAR_MM = 2.0


@dataclass(frozen=True)
class Glass:
    """A glass on the card, millimetres: centre, radius of the innermost edge of its rim."""

    centre_mm: tuple[float, float]
    inner_mm: float


def find_glass(
    relative: NDArray[np.float32],
    spot_mm: tuple[float, float],
    ring_mm: float,
    scale: float,
    print_mm: float = 0.0,
) -> Glass | None:
    """The glass in a square crop centred on a spot, or None when no rim is seen.

    relative, float32 (H, W, 3): linear light relative to the paper about there; scale: pixels per millimetre; ring_mm: radius of the
    printed ring, whose own line is left out. print_mm: radius of the colour fields, around which no edge is a rim's.
    """
    square = _edge_strength(relative)
    height, width = square.shape
    beyond, seen = _zones(
        height, width, ring_mm * scale, 1.5 * scale, (print_mm + _PRINT_MM) * scale if print_mm else 0.0
    )
    noise = float(np.median(square[::2, ::2][beyond[::2, ::2]])) if beyond.any() else 0.004**2
    strong = ((square > max(16 * noise, 0.008**2)) & seen).astype(np.uint8)
    wide = _widen(strong, 2 * round(scale) + 1)
    rims, part = _rims(scale, 1.0), None
    centres = _square(_REACH_MM, 2.0, scale)
    shares = _vote(wide, centres, rims)
    if shares.max() < _RIM_SHARE:
        part = seen.astype(np.uint8)
        centres = _square(_FAR_MM, 2.0, scale)
        shares = _vote(wide, centres, rims, part)
    if shares.max() < _RIM_SHARE:
        return None
    best = (shares**4).sum(axis=1).argmax()
    centre, tight = centres[best], _widen(strong, 3)
    radii = np.arange(*_RADII_MM, _FINE_MM)
    # only radii near one that shows at this centre can be part of the rim
    shown = np.arange(*_RADII_MM, 1.0)[shares[best] >= 0.4 * shares[best].max()]
    radii = radii[np.abs(radii[:, None] - shown).min(axis=1) <= _NEAR_MM]
    rims = _rims(scale, _FINE_MM)[:, np.rint((radii - _RADII_MM[0]) / _FINE_MM).astype(int)]
    for reach_mm, step_mm in _CLOSER_MM:
        centres = centre + _square(reach_mm, step_mm, scale)
        shares = _vote(tight, centres, rims, part)
        best = (shares**4).sum(axis=1).argmax()
        centre = centres[best]
    at_centre = shares[best]
    edges = radii[(at_centre >= _RIM_SHARE) & (at_centre >= 0.8 * at_centre.max())]
    if not len(edges):
        return None
    rim = edges[edges >= edges.max() - _WALL_MM]
    # shifts count from the pixel right of or below the middle where the crop has an even number of pixels
    away = (centre + np.array([width % 2 == 0, height % 2 == 0]) / 2) / scale
    return Glass((float(spot_mm[0] + away[0]), float(spot_mm[1] + away[1])), float(rim.min()))


def _square(reach_mm: float, step_mm: float, scale: float) -> NDArray[np.intp]:
    """Shifts x, y to all sides up to a reach, in whole pixels, shape (N, 2)."""
    step = max(round(step_mm * scale), 1)
    count = round(reach_mm * scale / step)
    shifts = step * np.arange(-count, count + 1)
    return np.stack(np.meshgrid(shifts, shifts), axis=-1).reshape(-1, 2)


def _edge_strength(relative: NDArray[np.float32]) -> NDArray[np.float32]:
    """Square of the gradient per pixel of the channel that changes most, of lightly smoothed logarithms."""
    smooth = np.asarray(cv2.GaussianBlur(relative, (0, 0), 0.8))
    logs = cv2.log(np.maximum(smooth, np.float32(0.02), out=smooth), dst=smooth)
    gx, gy = (cv2.Sobel(logs, cv2.CV_32F, *order, ksize=3, scale=1 / 8) for order in ((1, 0), (0, 1)))
    square = np.asarray(cv2.multiply(gx, gx, dst=gx), np.float32)
    square += np.asarray(cv2.multiply(gy, gy, dst=gy), np.float32)
    return np.maximum(np.maximum(square[..., 0], square[..., 1]), square[..., 2])


def _widen(mask: NDArray[np.uint8], side: int) -> NDArray[np.uint8]:
    return np.asarray(cv2.dilate(mask, np.ones((side, side), np.uint8)), np.uint8)


@lru_cache(maxsize=8)
def _zones(
    height: int, width: int, ring_px: float, line_px: float, print_px: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Where a crop lies beyond the printed ring, and where within it, each away from its line and outside the fields."""
    x, y = np.arange(width) - (width - 1) / 2, np.arange(height) - (height - 1) / 2
    distance = np.hypot(x[None], y[:, None])
    return distance > ring_px + line_px, (distance <= ring_px - line_px) & (distance >= print_px)


@lru_cache(maxsize=8)
def _rims(scale: float, step_mm: float) -> NDArray[np.intp]:
    """Pixels x, y of 90 points on circles of all radii tried around a pixel, shape (90, radii, 2)."""
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)[:, None]
    radii = np.arange(*_RADII_MM, step_mm) * scale
    return np.rint(np.stack([radii * np.cos(turn), radii * np.sin(turn)], axis=-1)).astype(np.intp)


def _vote(
    edge: NDArray[np.uint8],
    centres: NDArray[np.intp],
    rims: NDArray[np.intp],
    seen: NDArray[np.uint8] | None = None,
) -> Array:
    """Share of each circle's rim on an edge, shape (centres, radii); centres (N, 2) in pixels from the crop's middle.

    edge, seen: 0 or 1; seen: where an edge can be seen; when given, the share is that of the part seen, 0 where it is
    too small.
    """
    share = _count(edge, centres, rims) / len(rims)
    if seen is None:
        return share
    visible = _count(seen, centres, rims) / len(rims)
    return np.where(visible >= _IN_RING, share / np.maximum(visible, _IN_RING), 0.0)


def _count(mask: NDArray[np.uint8], centres: NDArray[np.intp], rims: NDArray[np.intp]) -> NDArray[np.uint8]:
    """Points of each circle that lie on a mask, shape (centres, radii); what lies outside the crop counts as off it."""
    height, width = mask.shape
    out = max(int(np.abs(centres).max(initial=0) + np.abs(rims).max()) + 1 - min(height, width) // 2, 0)
    padded = np.pad(mask, out)
    row = padded.shape[1]
    middle = (height // 2 + out) * row + width // 2 + out
    at = middle + centres[:, 1] * row + centres[:, 0]
    steps = rims[..., 1] * row + rims[..., 0]
    flat, total = padded.ravel(), np.zeros((len(centres), rims.shape[1]), np.uint8)
    for step in steps:  # one angle at a time stays in the processor's cache
        total += flat[at[:, None] + step]
    return total
