"""Stands the glasses on the card: liquid, bars, haze, wall, meniscus, rim, glints, bubbles, shadow.

It knows one glass at a time and nothing of cameras; the liquid is seen twice through its depth over the
paper.
"""

from __future__ import annotations

import cv2
import numpy as np

from colourmatch.records import Array
from drawn.card import bars_coverage, field_coverages, spot_centre
from drawn.drawing import Canvas, disc_coverage, span_coverage
from drawn.geometry import Picture, Region
from drawn.materials import black_ink, paper_reflectance, printed_fields, seen_through
from drawn.settings import Bubble, Glint, Light, Printer, Scene

#: Light sent back by a hazy liquid itself, as a share of paper white per unit of haze.
_HAZE_WHITE = 0.10
#: How far haze spreads what lies under it.
_HAZE_SPREAD_MM = 3.0


def glass_centre(scene: Scene, spot: str) -> tuple[float, float]:
    """Where a glass truly stands, in card mm."""
    (x, y), (dx, dy) = spot_centre(spot), scene.offsets_mm.get(spot, (0.0, 0.0))
    return x + dx, y + dy


def stand_glasses(canvas: Canvas, scene: Scene, printer: Printer, light: Light) -> None:
    """Draws every glass of the scene: first all tinted shadows on the paper, then the glasses over them."""
    liquids = scene.liquids()
    if scene.glass_shadow:
        for spot, liquid in liquids.items():
            _throw_shadow(canvas, scene, spot, liquid, light)
    for spot, liquid in liquids.items():
        _draw_glass(canvas, scene, printer, light, (spot, liquid))
    for glint in scene.glints:
        if glint.spot in liquids:
            _draw_glint(canvas, scene, glint)
    for bubble in scene.bubbles:
        if bubble.spot in liquids:
            _draw_bubble(canvas, scene, bubble)


def _throw_shadow(canvas: Canvas, scene: Scene, spot: str, liquid: Array, light: Light) -> None:
    """A soft shadow in the liquid's colour beside the glass, on the side away from the main light."""
    radius = scene.glass.inner_radius_mm + scene.glass.wall_mm
    away = np.radians(light.azimuth_degrees + 180)
    (cx, cy) = glass_centre(scene, spot)
    centre = (cx + 0.55 * radius * np.cos(away), cy + 0.55 * radius * np.sin(away))
    paper = paper_reflectance()
    ratio = canvas.raw_of(paper * seen_through(liquid, scene.glass)).sum(1) / canvas.raw_of(paper).sum(1)
    for region, dx, dy in canvas.around(centre, 2.2 * radius):
        fall = 1 + np.exp((np.hypot(dx, dy) - 0.95 * radius) / (0.12 * radius))
        weight = np.float32(scene.glass_shadow) / fall
        canvas.picture[region] *= 1 - weight[..., None] * (1 - np.float32(0.9) * ratio)


def _draw_glass(canvas: Canvas, scene: Scene, printer: Printer, light: Light, content: tuple[str, Array]) -> None:
    spot, liquid = content
    glass, centre = scene.glass, glass_centre(scene, spot)
    outer = glass.inner_radius_mm + glass.wall_mm
    paper, scale = paper_reflectance(), canvas.scale(centre)
    for region, dx, dy in canvas.around(centre, outer + 0.5):
        distance = np.hypot(dx, dy)
        facing = np.cos(np.arctan2(dy, dx) - np.float32(np.radians(light.azimuth_degrees)))
        tone = glass.wall_tone + glass.wall_contrast * facing
        wall = canvas.lit(region, paper * (0.75 + 0.25 * liquid)) * tone[..., None].astype(np.float32)
        canvas.blend(region, disc_coverage(distance, outer, scale), wall)

        if scene.oblique_paths:
            liquid = liquid ** oblique_path(canvas.view.degrees_from_above(centre))
        body = _see_liquid(canvas, region, scene, (spot, liquid), printer)
        inwards = np.maximum(glass.inner_radius_mm - distance, 0)
        near_wall = np.exp(-inwards / np.float32(max(glass.meniscus_mm, 0.05)))
        thick = canvas.lit(region, paper * seen_through(liquid, glass, 1 + glass.meniscus_depth))
        body += near_wall[..., None] * (thick * np.float32(0.96) - body)
        body += canvas.lit(region, paper) * np.float32(glass.surface_veil)
        canvas.blend(region, disc_coverage(distance, glass.inner_radius_mm, scale), body)
        if glass.rim_height_mm:
            _draw_rim(canvas, scene, centre, light)


def oblique_path(degrees_from_above: float) -> float:
    """Mean way through a flat layer of water, in depths, when light falls in upright and is seen at an angle.

    (1 + 1 / cos r) / 2 with sin r = sin(angle) / 1.333 (Snell's law).
    """
    return 0.5 + 0.5 / float(np.sqrt(1 - (np.sin(np.radians(degrees_from_above)) / 1.333) ** 2))


def _see_liquid(canvas: Canvas, region: Region, scene: Scene, content: tuple[str, Array], printer: Printer) -> Picture:
    """Paper, colour fields and bars through the liquid; haze h leaves 1 - h of the detail and adds a little white."""
    spot, liquid = content
    haze, middle = scene.haze.get(spot, 0.0), spot_centre(spot)
    paper, seen = paper_reflectance(), seen_through(liquid, scene.glass)
    through = paper * seen
    if haze:
        through = through + _HAZE_WHITE * haze * paper * np.sqrt(seen)
    (dx, dy), size = scene.view_shift_mm.get(spot, (0.0, 0.0)), np.float32(scene.view_size)
    x, y = canvas.view.grid_mm(region)
    under = (
        (x - np.float32(middle[0] + dx)) / size + middle[0],
        (y - np.float32(middle[1] + dy)) / size + middle[1],
    )
    prints = [(bars_coverage(canvas.view, under, middle), black_ink(printer))]
    if printer.inks:
        prints += zip(field_coverages(canvas.view, under, spot), printed_fields(printer, spot), strict=True)
    body = canvas.lit(region, through)
    plain = body.copy()
    for share, ink in prints:
        if haze:
            spread_px = _HAZE_SPREAD_MM * canvas.scale(middle)
            share = (1 - haze) * share + haze * cv2.GaussianBlur(share, (0, 0), spread_px)
        body += share[..., None].astype(np.float32) * (canvas.lit(region, through * ink) - plain)
    return body


def _draw_rim(canvas: Canvas, scene: Scene, centre: tuple[float, float], light: Light) -> None:
    """The glass's upper edge: a ring above the paper, so seen elsewhere than the base in a tilted look."""
    glass = scene.glass
    radius, height = glass.inner_radius_mm + glass.wall_mm / 2, glass.rim_height_mm
    half = 0.4 * glass.wall_mm
    for region, dx, dy in canvas.around(centre, radius + glass.wall_mm, height):
        line = span_coverage(np.hypot(dx, dy), radius - half, radius + half, canvas.scale(centre))
        facing = np.cos(np.arctan2(dy, dx) - np.float32(np.radians(light.azimuth_degrees + 40)))
        shine = (0.88 + 0.30 * facing)[..., None].astype(np.float32)
        canvas.blend(region, line * np.float32(0.35), canvas.lit(region, paper_reflectance()) * shine)


def _draw_glint(canvas: Canvas, scene: Scene, glint: Glint) -> None:
    (cx, cy) = glass_centre(scene, glint.spot)
    centre = (cx + glint.x_mm, cy + glint.y_mm)
    turn = np.radians(glint.angle_degrees)
    for region, dx, dy in canvas.around(centre, glint.radius_mm * glint.stretch * 1.8):
        along = (dx * np.cos(turn) + dy * np.sin(turn)) / (glint.radius_mm * glint.stretch)
        across = (dy * np.cos(turn) - dx * np.sin(turn)) / glint.radius_mm
        weight = 1 / (1 + np.exp((np.hypot(along, across) - 1) / 0.09))
        canvas.shine(region, weight * glint.level)


def _draw_bubble(canvas: Canvas, scene: Scene, bubble: Bubble) -> None:
    (cx, cy) = glass_centre(scene, bubble.spot)
    centre = (cx + bubble.x_mm, cy + bubble.y_mm)
    radius = bubble.radius_mm
    for region, dx, dy in canvas.around(centre, radius + 0.5):
        distance = np.hypot(dx, dy)
        ring = span_coverage(distance, 0.7 * radius, radius, canvas.scale(centre))
        canvas.picture[region] *= 1 - np.float32(0.35) * ring[..., None]
        point = np.exp(-((distance / np.float32(0.35 * radius)) ** 2))
        canvas.shine(region, point * (0.6 + 0.4 * np.cos(np.arctan2(dy, dx))))
