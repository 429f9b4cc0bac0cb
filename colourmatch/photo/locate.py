"""Finds the printed card in a photo; it knows markers and homographies and nothing of colour.

The pose maps card millimetres to the pixel centres of the working picture (OpenCV's convention, the centre of the
top-left pixel is 0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from colourmatch.errors import PhotoError
from colourmatch.photo.card import VERSIONS, Card, read_card
from colourmatch.photo.opencv import cv2
from colourmatch.photo.quality import Flag, flag
from colourmatch.records import Array

#: Fewer pixels per millimetre than this leave a clarity bar under two pixels wide.
MIN_PX_PER_MM = 2.0
#: Mean corner error above which the card is called bent, and above which it is refused.
BENT_MM, CRUMPLED_MM = 0.6, 2.0
#: Side of the windows of the first, quick search, pixels of the half-size copy: about a marker's module.
_WINDOW_PX = 11
#: Marker edges that blur over more than this hide the clarity bars.
SOFT_EDGE_MM = 1.3


@dataclass(frozen=True)
class CardPose:
    """Which card lies where: `to_px` (3, 3) maps millimetres to pixels, `markers` the ids used, errors in millimetres."""

    card: Card
    to_px: Array
    markers: tuple[int, ...]
    reprojection_mm: float
    px_per_mm: float
    tilt_degrees: float
    edge_mm: float
    flags: tuple[Flag, ...] = ()

    def project(self, points_mm: Array) -> Array:
        """Pixels of points in card millimetres, shape (N, 2)."""
        return _apply(self.to_px, np.asarray(points_mm, float).reshape(-1, 2))

    def holds(self, centre_mm: tuple[float, float], radius_mm: float, size: tuple[int, int]) -> bool:
        """Whether a circle on the card lies wholly inside a picture of (width, height) pixels."""
        turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
        rim = np.asarray(centre_mm) + radius_mm * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        px = self.project(rim)
        return bool((px >= 0).all() and (px[:, 0] < size[0]).all() and (px[:, 1] < size[1]).all())


def find_card(rgb: NDArray[np.uint8]) -> CardPose:
    """Find the card in a picture, uint8 (H, W, 3), and which version it is: each has markers of its own.

    Raises PhotoError: "no-card", "blurred", "two-cards", "card-small" or "card-crumpled", each with what to do.
    """
    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    every = _find_markers(grey)
    try:
        return _choose_pose(every, rgb, grey)
    except PhotoError as error:
        error.squares = every
        raise


def _choose_pose(every: dict[int, Array], rgb: NDArray[np.uint8], grey: NDArray[np.uint8]) -> CardPose:
    """The pose of the one card whose markers were found."""
    cards = [read_card(version) for version in VERSIONS]
    own = [{i: quad for i, quad in every.items() if i in card.marker_centres_mm} for card in cards]
    if min(len(found) for found in own) >= 2:
        raise PhotoError(flag("two-cards").text, "two-cards")
    card, found = max(zip(cards, own, strict=True), key=lambda one: len(one[1]))
    if len(found) < 2:
        code = "blurred" if _looks_blurred(grey) else "no-card"
        raise PhotoError(flag(code).text, code)
    used, to_px, error_mm, scale = _fit_pose(found, card)
    if scale < MIN_PX_PER_MM:
        raise PhotoError(flag("card-small", px_per_mm=scale).text, "card-small")
    edge_mm = _edge_width_mm(grey, to_px, used, card)
    tilt = _tilt_degrees(to_px, rgb.shape, card)
    flags = []
    # squares left out of the pose for disagreeing are the ones that show the bend
    off_mm = float(_errors_mm(found, sorted(found), to_px, card).mean())
    if off_mm > BENT_MM:
        flags.append(flag("card-bent", mm=off_mm))
    if edge_mm > SOFT_EDGE_MM:
        flags.append(flag("soft"))
    if tilt > 30:
        flags.append(flag("tilted", degrees=tilt))
    return CardPose(card, to_px, tuple(sorted(used)), error_mm, scale, tilt, edge_mm, tuple(flags))


def _detector(ids: tuple[int, ...], thorough: bool) -> cv2.aruco.ArucoDetector:
    """A detector that knows the cards' own markers alone: nine tenths of a search goes into comparing with all of a family.

    Unless thorough, black is separated from white by windows of one size, where otherwise three sizes are tried.
    """
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    own = cv2.aruco.Dictionary(family.bytesList[list(ids)], family.markerSize, family.maxCorrectionBits)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    parameters.minMarkerPerimeterRate = 0.015
    if not thorough:
        parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = _WINDOW_PX
    return cv2.aruco.ArucoDetector(own, parameters)


def _find_markers(grey: NDArray[np.uint8]) -> dict[int, Array]:
    """Corners (4, 2) by marker id of any card; a half-size copy first, quickly, then the whole, then copies with stretched contrast."""
    best: dict[int, Array] = {}
    tries = (
        (0.5, False, False),
        (0.5, False, True),
        (1.0, False, True),
        (0.5, True, True),
        (1.0, True, True),
    )
    for scale, stretch, thorough in tries:
        picture = grey
        if scale != 1.0:
            small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
            picture = np.asarray(small, np.uint8)
        if stretch:
            picture = np.asarray(cv2.createCLAHE(3.0, (8, 8)).apply(picture), np.uint8)
        found = _detect(picture, scale, thorough)
        if len(found) > len(best):
            best = found
        if len(best) >= len(read_card().marker_centres_mm) or (len(best) >= 4 and scale == 1.0):
            break
    return {i: _refine(grey, quad) for i, quad in best.items()}


def _detect(picture: NDArray[np.uint8], scale: float, thorough: bool) -> dict[int, Array]:
    ids = tuple(sorted(i for version in VERSIONS for i in read_card(version).marker_centres_mm))
    corners, found, _ = _detector(ids, thorough).detectMarkers(picture)
    if found is None:
        return {}
    names = [ids[int(k)] for k in np.ravel(found)]
    if len(names) != len(set(names)):
        raise PhotoError(flag("two-cards").text, "two-cards")
    return {i: (quad.reshape(4, 2).astype(float) + 0.5) / scale - 0.5 for i, quad in zip(names, corners, strict=True)}


def _refine(grey: NDArray[np.uint8], quad: Array) -> Array:
    """Corners to a fraction of a pixel of the whole picture; the window stays inside one module of the marker."""
    half = int(np.clip(np.linalg.norm(np.diff(quad, axis=0), axis=1).mean() / 8 * 0.7, 2, 6))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
    refined = cv2.cornerSubPix(grey, quad.astype(np.float32).reshape(-1, 1, 2), (half, half), (-1, -1), stop)
    return refined.reshape(4, 2).astype(float)


def _fit_pose(found: dict[int, Array], card: Card) -> tuple[list[int], Array, float, float]:
    """Homography from the markers; the worst marker is left out while it disagrees with three or more others."""
    used = sorted(found)
    while True:
        mm = np.concatenate([card.marker_corners_mm(i) for i in used])
        px = np.concatenate([found[i] for i in used])
        fitted, _ = cv2.findHomography(mm, px, 0)
        if fitted is None:
            raise PhotoError(flag("card-crumpled", mm=99.0).text, "card-crumpled")
        to_px = np.asarray(fitted, float)
        scale = float(np.mean([np.linalg.norm(np.diff(found[i], axis=0), axis=1).mean() for i in used]))
        scale /= card.marker_size_mm
        errors = _errors_mm(found, used, to_px, card)
        if errors.mean() <= BENT_MM or len(used) <= 3:
            break
        used.pop(int(errors.argmax()))
    if errors.mean() > CRUMPLED_MM:
        raise PhotoError(flag("card-crumpled", mm=float(errors.mean())).text, "card-crumpled")
    return used, to_px, float(errors.mean()), scale


def _errors_mm(found: dict[int, Array], ids: list[int], to_px: Array, card: Card) -> Array:
    """Mean distance of each marker's corners from where the card has them, millimetres, shape (len(ids),)."""
    mm = np.stack([card.marker_corners_mm(i) for i in ids])
    px = np.concatenate([found[i] for i in ids])
    seen = _apply(np.asarray(np.linalg.inv(to_px), float), px).reshape(mm.shape)
    return np.linalg.norm(seen - mm, axis=-1).mean(axis=1)


def _apply(homography: Array, points: Array) -> Array:
    out = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return out[:, :2] / out[:, 2:]


def _tilt_degrees(to_px: Array, shape: tuple[int, ...], card: Card) -> float:
    """Angle between the view and the card's normal, from the foreshortening of a small circle at its middle.

    A circle seen at angle t from its normal becomes an ellipse with axes in the ratio cos t (affine camera).
    """
    middle = np.array([card.block_mm[0] / 2, card.block_mm[1] / 2])
    step = 1.0
    corners = _apply(to_px, middle + step * np.array([[0, 0], [1, 0], [0, 1]]))
    singular = np.linalg.svd(np.stack([corners[1] - corners[0], corners[2] - corners[0]], axis=1), compute_uv=False)
    return float(np.degrees(np.arccos(np.clip(singular[1] / singular[0], 0, 1))))


def _edge_width_mm(grey: NDArray[np.uint8], to_px: Array, used: list[int], card: Card) -> float:
    """Width of the outer edges of the markers (80 % of the contrast over the steepest slope), millimetres; the median."""
    along_mm, across = np.linspace(-4.0, 4.0, 9), np.linspace(-2.5, 1.7, 43)
    quads = np.stack([card.marker_corners_mm(i) for i in used])
    nexts = np.roll(quads, -1, axis=1)
    middles = (quads + nexts) / 2
    along = _unit(nexts - quads)
    inward = _unit(quads.mean(axis=1, keepdims=True) - middles)
    # nine lines across each of the four edges of each marker, shape (markers, edges, 9, 43, 2)
    points = (
        middles[:, :, None, None]
        + along_mm[:, None, None] * along[:, :, None, None]
        + across[:, None] * inward[:, :, None, None]
    )
    px = _apply(to_px, points.reshape(-1, 2)).astype(np.float32).reshape(-1, len(across), 2)
    lines = cv2.remap(grey, px[..., 0], px[..., 1], cv2.INTER_LINEAR)
    profiles = lines.reshape(-1, len(along_mm), len(across)).mean(axis=1)
    return float(np.median(_rise_widths(profiles, across)))


def _unit(vectors: Array) -> Array:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


def _rise_widths(profiles: Array, across: Array) -> Array:
    """Width of each profile's edge, shape (N,), in the unit of `across`, whose full length where no edge is seen."""
    contrast = np.median(profiles[:, :8], axis=1) - np.median(profiles[:, -5:], axis=1)
    steepest = np.abs(np.gradient(profiles, across, axis=1)).max(axis=1)
    widest = float(across[-1] - across[0])
    width = 0.8 * contrast / np.maximum(steepest, 1e-9)
    return np.where(contrast > 8, np.minimum(width, widest), widest)


def _looks_blurred(grey: NDArray[np.uint8]) -> bool:
    """Whether the strongest edges of the picture are wide: contrast over steepest slope, in pixels of a 1000 px copy."""
    scale = 1000 / max(grey.shape)
    small = cv2.resize(grey, None, fx=min(scale, 1.0), fy=min(scale, 1.0), interpolation=cv2.INTER_AREA)
    small = cv2.medianBlur(small, 3).astype(np.float32)
    window = np.ones((31, 31), np.uint8)
    contrast = cv2.dilate(small, window) - cv2.erode(small, window)
    slope = np.hypot(cv2.Sobel(small, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(small, cv2.CV_32F, 0, 1) / 8)
    steepest = cv2.dilate(slope, window)
    strong = contrast > 60
    if strong.mean() < 0.005:
        return False
    return bool(np.percentile(contrast[strong] / np.maximum(steepest[strong], 0.1), 25) > 7.0)
