"""Prints the card into a raw picture: table, sheet, markers, grey steps, rings, colour fields and bars of its file.

It knows the card's drawing in millimetres and how a printer gets it wrong; it knows no liquids.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from colourmatch.facts import read_json
from drawn.drawing import Canvas, normal_noise, ramp, span_coverage
from drawn.geometry import Picture, View
from drawn.materials import (
    black_ink,
    paper_reflectance,
    printed_fields,
    printed_greys,
    smooth_reflectance,
)
from drawn.settings import Printer, Scene

_RING_LINE_MM = 0.35
_RING_TONE = 0.45
_FIELDS_REACH_MM = 17.0


def lay_sheet(canvas: Canvas, scene: Scene, seed: int) -> None:
    """Fills the picture with the table and lays the bare sheet on it, with a thin shadow along its edge."""
    grain = _grain(canvas.picture.shape[:2], scene.table_texture, seed)
    for band in canvas.bands():
        canvas.picture[band] = canvas.lit(band, smooth_reflectance(scene.table)) * grain[band][..., None]
    middle, half = np.array(canvas.view.origin_mm), np.array(scene.sheet_mm) / 2
    corners = middle + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    edge = canvas.polygon_coverage(corners + np.array([0.8, 0.8]), soft_px=2.0)
    sheet, paper = canvas.polygon_coverage(corners), paper_reflectance()
    for band in canvas.bands():
        canvas.picture[band] *= (1 - np.float32(0.25) * edge[band])[..., None]
        canvas.paint(band, sheet[band], paper)


def _grain(shape: tuple[int, int], strength: float, seed: int) -> Picture:
    """Long streaks of lighter and darker wood, near 1."""
    small = normal_noise((max(shape[0] // 6, 4), max(shape[1] // 60, 4)), seed + 2)
    small = cv2.GaussianBlur(small, (0, 0), 1.2)
    streaks = cv2.resize(small * np.float32(2.5 * strength), (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.clip(1 + streaks, 0.3, 1.7)


def print_card(canvas: Canvas, printer: Printer) -> None:
    """Prints markers, grey steps, spot rings, colour fields and clarity bars on the paper."""
    spec = printer.card
    paper = paper_reflectance()
    black = paper * black_ink(printer)
    for name, centre in spec["markers"]["centres_mm"].items():
        _print_marker(canvas, (int(name), spec["markers"]["size_mm"]), tuple(centre), black)
    steps = spec["grey_steps"]
    places = steps["top_row_centres_mm"] + steps["bottom_row_centres_mm"]
    for centre, grey in zip(places, printed_greys(printer), strict=True):
        canvas.box(tuple(centre), (steps["size_mm"], steps["size_mm"]), paper * grey)
    for centre in spec["spots"]["centres_mm"].values():
        _print_ring(canvas, tuple(centre), spec["spots"]["ring_diameter_mm"] / 2, paper * _RING_TONE)
        if (region := canvas.view.region_of(*_bars(tuple(centre))[:2])) is not None:
            grid = canvas.view.grid_mm(region)
            canvas.paint(region, bars_coverage(canvas.view, grid, tuple(centre)), black)
    for spot in spec["spots"]["centres_mm"] if printer.inks else ():
        for region, _, _ in canvas.around(spot_centre(spot), _FIELDS_REACH_MM):
            shares = field_coverages(canvas.view, canvas.view.grid_mm(region), spot)
            for share, ink in zip(shares, printed_fields(printer, spot), strict=True):
                canvas.paint(region, share, paper * ink)


def _print_marker(
    canvas: Canvas, which: tuple[int, float], centre_mm: tuple[float, float], black: NDArray[np.float64]
) -> None:
    marker, size = which
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    ink = cv2.aruco.generateImageMarker(family, marker, 8) < 128
    cx, cy = centre_mm
    if (region := canvas.view.region_of(centre_mm, (size, size))) is None:
        return
    times = 5
    x, y = canvas.view.grid_mm(region, oversample=times)
    column = np.floor((x - (cx - size / 2)) * (8 / size)).astype(int)
    row = np.floor((y - (cy - size / 2)) * (8 / size)).astype(int)
    inside = (column >= 0) & (column < 8) & (row >= 0) & (row < 8)
    hard = (inside & ink[np.clip(row, 0, 7), np.clip(column, 0, 7)]).astype(np.float32)
    coverage = cv2.resize(hard, (x.shape[1] // times, x.shape[0] // times), interpolation=cv2.INTER_AREA)
    canvas.paint(region, coverage, black)


def _print_ring(canvas: Canvas, centre_mm: tuple[float, float], radius_mm: float, tone: NDArray[np.float64]) -> None:
    half = _RING_LINE_MM / 2
    for region, dx, dy in canvas.around(centre_mm, radius_mm + 1):
        line = span_coverage(np.hypot(dx, dy), radius_mm - half, radius_mm + half, canvas.scale(centre_mm))
        canvas.paint(region, line, tone)


def _bars(spot_centre_mm: tuple[float, float]) -> tuple[tuple[float, float], tuple[float, float], float]:
    """A spot's clarity bars: their middle, their size and their period."""
    bars = read_json("card-v1.json")["spots"]["clarity_bars"]
    (x, y), (dx, dy), (w, h) = spot_centre_mm, bars["offset_mm"], bars["size_mm"]
    return (x + dx, y + dy), (w, h), bars["period_mm"]


def bars_coverage(view: View, grid_mm: tuple[Picture, Picture], spot_centre_mm: tuple[float, float]) -> Picture:
    """Share of black of a spot's clarity bars at each pixel; a period starts with black, at the left.

    grid_mm: where on the paper each pixel looks.
    """
    (cx, cy), (w, h), period = _bars(spot_centre_mm)
    x, y = grid_mm
    per_x, per_y = view.px_per_mm((cx, cy))
    down = span_coverage(y, cy - h / 2, cy + h / 2, per_y)
    across = np.zeros_like(x)
    for k in range(round(w / period)):
        left = cx - w / 2 + k * period
        across += span_coverage(x, left, left + period / 2, per_x)
    return across * down


def field_coverages(view: View, grid_mm: tuple[Picture, Picture], spot: str) -> list[Picture]:
    """Share of each pixel on each colour field of a spot of card 2; grid_mm: where on the paper each pixel looks."""
    fields = read_json("card-v2.json")["spots"]["colour_fields"]
    centre = spot_centre(spot)
    scale = np.float32(np.mean(view.px_per_mm(centre)))
    x, y = grid_mm[0] - np.float32(centre[0]), grid_mm[1] - np.float32(centre[1])
    ring = span_coverage(np.hypot(x, y), fields["inner_radius_mm"], fields["outer_radius_mm"], float(scale))
    out = []
    for sector in fields["sectors"]:
        share = ring
        for degrees, side in ((sector["from_deg"], 1), (sector["to_deg"], -1)):
            turn = np.radians(degrees)
            # distance from the line through the middle, half of the gap left as paper
            beyond = side * (y * np.float32(np.cos(turn)) - x * np.float32(np.sin(turn))) - np.float32(
                fields["gap_mm"] / 2
            )
            share = share * ramp(beyond * scale)
        out.append(share)
    return out


def spot_centre(spot: str) -> tuple[float, float]:
    """Centre of a spot in card mm."""
    x, y = read_json("card-v1.json")["spots"]["centres_mm"][spot]
    return float(x), float(y)
