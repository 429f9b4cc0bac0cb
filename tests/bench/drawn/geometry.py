"""Where a card millimetre lands in the picture: a pinhole camera over a tilted sheet, and a simple lens.

It knows no colours. Card coordinates are those of card-v1.json (mm, y down); pixel centres are whole numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from colourmatch.facts import read_json

Array = NDArray[Any]
#: Float32, rows by columns (by channels); OpenCV declares its results too widely for more to be said.
Picture = NDArray[Any]
Region = tuple[slice, slice]


@dataclass(frozen=True)
class Pose:
    """How the phone is held. fill is the larger share of the frame's width or height that the sheet takes up.

    shift moves the sheet from the middle, as shares of the frame; distortion bends straight lines: the radius
    in the undistorted picture is r (1 + distortion r^2), r = 1 in the frame's corner. motion_px is a smear
    along an angle, defocus_px the sigma of a blur.
    """

    tilt_degrees: float = 0.0
    azimuth_degrees: float = 0.0
    rotation_degrees: float = 0.0
    fill: float = 0.75
    width_px: int = 2016
    height_px: int = 1512
    shift: tuple[float, float] = (0.0, 0.0)
    focal_share: float = 0.8
    distortion: float = 0.0
    defocus_px: float = 0.0
    motion_px: float = 0.0
    motion_degrees: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.tilt_degrees < 60:
            raise ValueError(f"tilt_degrees must be 0 to under 60, got {self.tilt_degrees}")
        if not 0.02 < self.fill <= 3:
            raise ValueError(f"fill must be over 0.02 and at most 3, got {self.fill}")


@dataclass(frozen=True, eq=False)
class View:
    """A camera over the card: rotation, shift in mm, focal length in pixels, lens distortion, frame size."""

    rotation: Array
    shift_mm: Array
    focal_px: float
    distortion: float
    size_px: tuple[int, int]
    origin_mm: tuple[float, float]

    @property
    def _centre(self) -> Array:
        return np.array([(self.size_px[0] - 1) / 2, (self.size_px[1] - 1) / 2])

    def homography(self, height_mm: float = 0.0) -> Array:
        """3x3 matrix from card mm, at a height above the paper, to pixels without lens distortion."""
        camera = np.diag([self.focal_px, self.focal_px, 1.0])
        camera[:2, 2] = self._centre
        r = self.rotation
        third = self.shift_mm - r @ np.array([*self.origin_mm, -height_mm])
        return camera @ np.stack([r[:, 0], r[:, 1], third], axis=1)

    def to_pixels(self, points_mm: ArrayLike, height_mm: float = 0.0) -> Array:
        """Pixels, shape (..., 2), of card points in mm, shape (..., 2)."""
        flat = _project(self.homography(height_mm), np.asarray(points_mm, float)) - self._centre
        seen = flat
        for _ in range(8 if self.distortion else 0):
            seen = flat / self._stretch(seen)
        return seen + self._centre

    def to_card_mm(self, points_px: ArrayLike, height_mm: float = 0.0) -> Array:
        """Card points in mm, shape (..., 2), that pixels look at; the inverse of `to_pixels`."""
        seen = np.asarray(points_px, float) - self._centre
        if self.distortion:
            seen = seen * self._stretch(seen)
        return _project(np.linalg.inv(self.homography(height_mm)), seen + self._centre)

    def _stretch(self, seen: Array) -> Array:
        r2 = (seen**2).sum(axis=-1, keepdims=True) / (self._centre**2).sum()
        return 1 + self.distortion * r2

    def region(self, box_mm: tuple[float, float, float, float], height_mm: float = 0.0) -> Region | None:
        """Slices of the frame that hold a card box (x0, y0, x1, y1) and a margin; None when outside."""
        x0, y0, x1, y1 = box_mm
        t = np.linspace(0, 1, 9)
        x, y = x0 + (x1 - x0) * t, y0 + (y1 - y0) * t
        edge = np.concatenate(
            [np.stack(np.broadcast_arrays(*pair), -1) for pair in ((x, y0), (x, y1), (x0, y), (x1, y))]
        )
        seen = self.to_pixels(edge, height_mm)
        low = np.maximum(np.floor(seen.min(axis=0)).astype(int) - 2, 0)
        high = np.minimum(np.ceil(seen.max(axis=0)).astype(int) + 3, self.size_px)
        if np.any(low >= high):
            return None
        return slice(low[1], high[1]), slice(low[0], high[0])

    def region_of(
        self, centre_mm: tuple[float, float], size_mm: tuple[float, float], height_mm: float = 0.0
    ) -> Region | None:
        """As `region`, of an upright rectangle about a point."""
        (x, y), (w, h) = centre_mm, size_mm
        return self.region((x - w / 2, y - h / 2, x + w / 2, y + h / 2), height_mm)

    def grid_mm(self, region: Region, height_mm: float = 0.0, oversample: int = 1) -> tuple[Array, Array]:
        """Card x and y in mm at every pixel of a region (finer with oversample), each shape (h, w)."""
        rows, columns = region
        count_v, count_u = (rows.stop - rows.start) * oversample, (columns.stop - columns.start) * oversample
        v = (np.arange(count_v) + 0.5) / oversample - 0.5 + rows.start
        u = (np.arange(count_u) + 0.5) / oversample - 0.5 + columns.start
        points = np.stack(np.meshgrid(u, v), axis=-1)
        grid = self.to_card_mm(points, height_mm).astype(np.float32)
        return grid[..., 0], grid[..., 1]

    def degrees_from_above(self, point_mm: ArrayLike) -> float:
        """Angle between the line of sight to a card point and the card's upright, 0 when seen from above."""
        offset = np.asarray(point_mm, float) - np.array(self.origin_mm)
        sight = self.shift_mm + self.rotation[:, :2] @ offset
        towards = -float(sight @ self.rotation[:, 2]) / float(np.linalg.norm(sight))
        return float(np.degrees(np.arccos(np.clip(towards, -1, 1))))

    def px_per_mm(self, point_mm: ArrayLike) -> tuple[float, float]:
        """How many pixels a mm across a vertical and across a horizontal edge is, at a card point."""
        centre = self.to_pixels(point_mm)
        steps = np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]])
        seen = self.to_card_mm(centre + steps)
        slope = np.stack([seen[0] - seen[1], seen[2] - seen[3]])
        across = 1 / np.linalg.norm(slope, axis=0)
        return float(across[0]), float(across[1])


def _project(matrix: Array, points: Array) -> Array:
    x, y = points[..., 0], points[..., 1]
    depth = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
    return np.stack(
        [
            (matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]) / depth,
            (matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]) / depth,
        ],
        axis=-1,
    )


def _turn(axis: Array, degrees: float) -> Array:
    x, y, z = axis
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    angle = np.radians(degrees)
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross


def place_camera(pose: Pose, sheet_mm: tuple[float, float] = (297.0, 210.0)) -> View:
    """The view of a pose: the sheet turned, tilted about an axis at the azimuth, moved until it fills."""
    block = read_json("card-v1.json")["block_mm"]
    centre = np.array(block) / 2
    azimuth = np.radians(pose.azimuth_degrees)
    tilt = _turn(np.array([np.cos(azimuth), np.sin(azimuth), 0.0]), pose.tilt_degrees)
    rotation = tilt @ _turn(np.array([0.0, 0.0, 1.0]), pose.rotation_degrees)
    size = np.array([pose.width_px, pose.height_px], float)
    focal = pose.focal_share * max(size)
    half = np.array(sheet_mm) / 2
    corners = centre + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    # One 10 mm of height is 10 mm nearer to the camera, so heights count along minus z.
    facing = rotation @ np.diag([1.0, 1.0, -1.0])
    shift = np.array([0.0, 0.0, 1.5 * max(sheet_mm) * pose.focal_share / pose.fill])
    for _ in range(12):
        view = View(facing, shift, focal, pose.distortion, (pose.width_px, pose.height_px), tuple(centre))
        seen = view.to_pixels(corners)
        low, high = seen.min(axis=0), seen.max(axis=0)
        share = float(((high - low) / size).max())
        miss = (low + high) / 2 - ((size - 1) / 2 + size * np.array(pose.shift))
        shift = shift * share / pose.fill
        shift[:2] -= miss * shift[2] / focal
    return View(facing, shift, focal, pose.distortion, (pose.width_px, pose.height_px), tuple(centre))
