"""The printed card in millimetres, as its version file says; it knows no pixels, paper sizes or liquids.

Origin at the block's top-left corner, x to the right, y down. Reflectances are relative to the bare paper.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from colourmatch.facts import read_json
from colourmatch.photo.opencv import cv2
from colourmatch.records import Array

Point = tuple[float, float]


@dataclass(frozen=True)
class GreyStep:
    """One printed grey square: its centre in millimetres and its reflectance relative to bare paper."""

    centre_mm: Point
    reflectance: float


@dataclass(frozen=True)
class ColourField:
    """One printed colour field of a spot's ring of fields: a sector from one angle to another, printed as device RGB.

    Angles in degrees from x towards y, 90 is down.
    """

    name: str
    from_deg: float
    to_deg: float
    rgb: tuple[int, int, int]


@dataclass(frozen=True)
class Card:
    """Everything printed in the block of one card version; all that is not named here is bare paper."""

    version: int
    block_mm: Point
    marker_family: str
    marker_size_mm: float
    quiet_zone_mm: float
    marker_centres_mm: dict[int, Point]
    grey_size_mm: float
    top_greys: tuple[GreyStep, ...]
    bottom_greys: tuple[GreyStep, ...]
    spots: dict[str, Point]
    ring_diameter_mm: float
    window_offset_mm: Point
    window_radius_mm: float
    bars_offset_mm: Point
    bars_size_mm: Point
    bars_period_mm: float
    fields: tuple[ColourField, ...] = ()
    fields_inner_mm: float = 0.0
    fields_outer_mm: float = 0.0
    fields_gap_mm: float = 0.0

    @property
    def greys(self) -> tuple[GreyStep, ...]:
        """Both rows of grey steps, the top row first, each in the order of the version file."""
        return self.top_greys + self.bottom_greys

    def marker_corners_mm(self, marker_id: int) -> Array:
        """Corners of a marker's black square, shape (4, 2): top-left, top-right, bottom-right, bottom-left.

        The order is the one in which cv2.aruco returns them. ValueError for an unknown id.
        """
        if marker_id not in self.marker_centres_mm:
            raise ValueError(f"marker_id must be one of {sorted(self.marker_centres_mm)}, got {marker_id}")
        return _rectangle_corners(self.marker_centres_mm[marker_id], (self.marker_size_mm, self.marker_size_mm))

    def window_centre_mm(self, spot: str) -> Point:
        """Centre of the colour window of a spot ("reference", "batch" or "blank")."""
        return _shift(self._spot(spot), self.window_offset_mm)

    def bars_centre_mm(self, spot: str) -> Point:
        """Centre of the clarity bars of a spot ("reference", "batch" or "blank")."""
        return _shift(self._spot(spot), self.bars_offset_mm)

    def black_bars_mm(self, spot: str) -> Array:
        """Black clarity bars of a spot, shape (n, 4): x, y, width, height, from left to right.

        Bars stand upright, black in the first half of each period from the left edge; the rest is paper.
        """
        (x, y), (width, height) = self.bars_centre_mm(spot), self.bars_size_mm
        count = round(width / self.bars_period_mm)
        lefts = x - width / 2 + self.bars_period_mm * np.arange(count)
        return np.array([(left, y - height / 2, self.bars_period_mm / 2, height) for left in lefts])

    def field_outline_mm(self, spot: str, name: str) -> Array:
        """Outline of a spot's colour field, shape (N, 2): its outer arc, then its inner one back; gaps taken off."""
        one = next(f for f in self.fields if f.name == name)
        arcs = []
        for radius in (self.fields_outer_mm, self.fields_inner_mm):
            # half of the gap is taken off along the radius' own arc, so that the gap is of one width
            off = np.degrees(np.arcsin(self.fields_gap_mm / 2 / radius))
            turn = np.radians(np.linspace(one.from_deg + off, one.to_deg - off, 24))
            arcs.append(radius * np.stack([np.cos(turn), np.sin(turn)], axis=1))
        return np.array(self._spot(spot)) + np.concatenate([arcs[0], arcs[1][::-1]])

    def _spot(self, spot: str) -> Point:
        if spot not in self.spots:
            raise ValueError(f"spot must be one of {', '.join(self.spots)}, got {spot!r}")
        return self.spots[spot]


def _shift(point: Point, offset: Point) -> Point:
    return point[0] + offset[0], point[1] + offset[1]


def _rectangle_corners(centre: Point, size: Point) -> Array:
    half = np.array(size) / 2
    return np.array(centre) + half * np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])


def _point(pair: list[float]) -> Point:
    return float(pair[0]), float(pair[1])


#: Card 1 is all grey, for any printer; card 2 has colour fields, for a colour printer.
VERSIONS = (1, 2)


@cache
def read_card(version: int = 1) -> Card:
    """The card of a version; FileNotFoundError when this installation has no such version."""
    data = read_json(f"card-v{version}.json")
    markers, greys, spots = data["markers"], data["grey_steps"], data["spots"]
    values, fields = greys["nominal_relative_reflectance"], spots.get("colour_fields")
    rows = [
        tuple(
            GreyStep(_point(centre), float(value))
            for centre, value in zip(greys[f"{row}_row_centres_mm"], values, strict=True)
        )
        for row in ("top", "bottom")
    ]
    return Card(
        version=data["version"],
        block_mm=_point(data["block_mm"]),
        marker_family=markers["family"],
        marker_size_mm=float(markers["size_mm"]),
        quiet_zone_mm=float(markers["quiet_zone_mm"]),
        marker_centres_mm={int(key): _point(centre) for key, centre in markers["centres_mm"].items()},
        grey_size_mm=float(greys["size_mm"]),
        top_greys=rows[0],
        bottom_greys=rows[1],
        spots={name: _point(centre) for name, centre in spots["centres_mm"].items()},
        ring_diameter_mm=float(spots["ring_diameter_mm"]),
        window_offset_mm=_point(spots["colour_window"]["offset_mm"]),
        window_radius_mm=float(spots["colour_window"]["radius_mm"]),
        bars_offset_mm=_point(spots["clarity_bars"]["offset_mm"]),
        bars_size_mm=_point(spots["clarity_bars"]["size_mm"]),
        bars_period_mm=float(spots["clarity_bars"]["period_mm"]),
        **(_read_fields(fields) if fields else {}),
    )


def _read_fields(data: dict[str, Any]) -> dict[str, Any]:
    sectors = data["sectors"]
    return {
        "fields": tuple(
            ColourField(one["name"], float(one["from_deg"]), float(one["to_deg"]), tuple(one["rgb"])) for one in sectors
        ),
        "fields_inner_mm": float(data["inner_radius_mm"]),
        "fields_outer_mm": float(data["outer_radius_mm"]),
        "fields_gap_mm": float(data["gap_mm"]),
    }


@cache
def _dictionary() -> Any:
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


def marker_bits(marker_id: int) -> NDArray[np.bool_]:
    """Cells of an AprilTag 36h11 marker, shape (8, 8), from the top, True = black, black border included.

    Source: Olson (2011), "AprilTag: a robust and flexible visual fiducial system", ICRA; the table of OpenCV.
    ValueError for an id outside the family.
    """
    if not 0 <= marker_id < len(_dictionary().bytesList):
        raise ValueError(f"marker_id must be 0 to {len(_dictionary().bytesList) - 1}, got {marker_id}")
    return cv2.aruco.generateImageMarker(_dictionary(), int(marker_id), 8) < 128
