"""Puts a simulated photo together: light, card, glasses, lens, sensor, the phone's processing, and the truth.

It knows the order of things and where light falls on the table; each other step is in the module named for it.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.difference import ciede2000
from colourmatch.records import Array
from drawn import camera
from drawn.card import lay_sheet, print_card
from drawn.drawing import Canvas
from drawn.geometry import Picture, Pose, View, place_camera
from drawn.glassware import stand_glasses
from drawn.liquids import lab_relative_to_water
from drawn.materials import paper_reflectance, smooth_reflectance
from drawn.settings import Light, Obstacle, Phone, Printer, Rendered, Scene, Stain

#: Fields of light are computed on every so manyth pixel: the sharpest thing in them is a penumbra of some mm.
_COARSE_PX = 6


def truth_of(scene: Scene) -> dict[str, Any]:
    """What is in the glasses: CIELAB (D65, 2 degrees) relative to water in the same glass, and CIEDE2000."""
    labs = {spot: lab_relative_to_water(liquid) for spot, liquid in scene.liquids().items()}
    spots = {spot: {"lab": lab.tolist(), "haze": float(scene.haze.get(spot, 0.0))} for spot, lab in labs.items()}
    both = "reference" in labs and "batch" in labs
    away = float(ciede2000(labs["reference"], labs["batch"])) if both else None
    return {"spots": spots, "delta_e_2000": away}


def render_photo(
    scene: Scene, phone: Phone, light: Light, pose: Pose, *, seed: int, printer: Printer | None = None
) -> Rendered:
    """A photo of the card with its glasses, and what is truly in them.

    seed: noise and table grain; the same seed gives the same picture. printer: a perfect one when None.
    Raises ValueError for a sensor, gamut, spectrum or pose that cannot be.
    """
    seed = int(seed) % 2**30
    canvas, gains, mixed = lay_table(scene, phone, light, pose, seed=seed, printer=printer)
    raw = _blur_by_hand(canvas.picture, pose)
    raw += np.float32(phone.veil * phone.exposure * light.level)
    raw = camera.expose(raw, phone, gains, seed)
    rgb = camera.develop(raw, phone, camera.camera_matrix(phone, mixed), seed)
    truth = truth_of(scene) | {"phone": phone.model, "gamut": phone.gamut, "light": light.name}
    return Rendered(rgb, truth, canvas.view, phone.gamut, phone.model)


def lay_table(
    scene: Scene, phone: Phone, light: Light, pose: Pose, *, seed: int, printer: Printer | None = None
) -> tuple[Canvas, Array, Array]:
    """What the light brings to the sensor, without noise; the white balance's gains (3,); the mixed light (81,)."""
    view = place_camera(pose, scene.sheet_mm)
    signals, gains, mixed = _balance(phone, light)
    height, width = pose.height_px, pose.width_px
    canvas = Canvas(np.empty((height, width, 3), np.float32), light_fields(light, view), view, signals)
    lay_sheet(canvas, scene, seed)
    printer = printer or Printer()
    print_card(canvas, printer)
    for stain in scene.stains:
        _stain_paper(canvas, stain)
    stand_glasses(canvas, scene, printer, light)
    for obstacle in (*scene.obstacles, *_cover_markers(scene, printer)):
        _lay_obstacle(canvas, obstacle)
    return canvas, gains, mixed


def _balance(phone: Phone, light: Light) -> tuple[Array, Array, Array]:
    """Signals (81, 2 lights, 3 channels) with paper at `exposure`, the gains, the mixed light."""
    main = camera.photometric(light.spectrum)
    second = light.second_share * camera.photometric(
        light.spectrum if light.second_spectrum is None else light.second_spectrum
    )
    sensor = camera.sensor_curves(phone.sensor, phone.peak_shift_nm)
    mixed = main + second
    paper = (mixed * paper_reflectance()) @ sensor
    gains = phone.exposure / paper * np.exp(np.array(phone.white_balance_error))
    signals = np.stack([main, second], axis=1)[:, :, None] * (sensor * gains)[:, None, :]
    return signals, gains, mixed


def _stain_paper(canvas: Canvas, stain: Stain) -> None:
    """A dried drop: a weak disc with a darker edge that takes away blue more than red."""
    density = stain.density * np.array([0.35, 0.7, 1.0])
    for region, dx, dy in canvas.around((stain.x_mm, stain.y_mm), stain.radius_mm * 1.4):
        angle = np.arctan2(dy, dx)
        ragged = 1 + 0.12 * np.sin(3 * angle) + 0.06 * np.sin(7 * angle + 1)
        share = np.hypot(dx, dy) / (stain.radius_mm * ragged)
        amount = 1 / (1 + np.exp((share - 1) / 0.04)) * (0.6 + 0.8 * np.exp(-(((share - 0.95) / 0.08) ** 2)))
        canvas.picture[region] *= 10 ** (-amount[..., None] * density).astype(np.float32)


def _cover_markers(scene: Scene, printer: Printer) -> list[Obstacle]:
    centres = printer.card["markers"]["centres_mm"]
    shape = np.array([[-17, -13], [4, -19], [18, -6], [15, 16], [-12, 18]])
    outlines = ((np.array(centres[str(marker)]) + shape).tolist() for marker in scene.covered_markers)
    return [Obstacle(tuple(map(tuple, outline)), (0.2, 0.25, 0.3)) for outline in outlines]


def _lay_obstacle(canvas: Canvas, obstacle: Obstacle) -> None:
    soft = canvas.polygon_coverage(np.array(obstacle.outline_mm) + 3.0, soft_px=canvas.picture.shape[1] / 160)
    hard = canvas.polygon_coverage(obstacle.outline_mm)
    for band in canvas.bands():
        canvas.picture[band] *= (1 - np.float32(0.35) * soft[band])[..., None]
        canvas.paint(band, hard[band], smooth_reflectance(obstacle.reflectance))


def _blur_by_hand(raw: NDArray[Any], pose: Pose) -> NDArray[Any]:
    if pose.defocus_px > 0:
        raw = cv2.GaussianBlur(raw, (0, 0), pose.defocus_px)
    if pose.motion_px > 1:
        raw = camera.smear(raw, pose.motion_px, pose.motion_degrees)
    return raw


def light_fields(light: Light, view: View) -> Picture:
    """Main and second light at every pixel, shape (H, W, 2), 1 in mid-card without shadow."""
    width, height = view.size_px
    count_u, count_v = max(width // _COARSE_PX, 2), max(height // _COARSE_PX, 2)
    u = (np.arange(count_u) + 0.5) * width / count_u - 0.5
    v = (np.arange(count_v) + 0.5) * height / count_v - 0.5
    points = np.stack(np.meshgrid(u, v), axis=-1)
    offset = view.to_card_mm(points) - np.array(view.origin_mm)
    along = np.array([np.cos(np.radians(light.azimuth_degrees)), np.sin(np.radians(light.azimuth_degrees))])
    towards = np.clip(offset @ along / 100, -4, 4)
    # An exponential keeps a steep gradient positive far out on the table.
    main = np.exp(light.gradient * towards - light.bend * np.minimum((offset**2).sum(axis=-1) / 1e4, 16))
    second = np.exp(-light.second_gradient * towards)
    if light.shadow is not None:
        main *= 1 - light.shadow.depth * _shade(light, offset + np.array(view.origin_mm))
    fall = 1 - light.vignetting * ((points - np.array([width - 1, height - 1]) / 2) ** 2).sum(axis=-1) / (
        (width**2 + height**2) / 4
    )
    fields = (np.stack([main, second], axis=-1) * (fall * light.level)[..., None]).astype(np.float32)
    return cv2.resize(fields, (width, height), interpolation=cv2.INTER_LINEAR)


def _shade(light: Light, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    shadow = light.shadow
    assert shadow is not None
    angle = np.radians(shadow.angle_degrees)
    distance = (points_mm - np.array([shadow.x_mm, shadow.y_mm])) @ np.array([np.cos(angle), np.sin(angle)])
    t = np.clip(distance / max(shadow.penumbra_mm, 1e-3) + 0.5, 0, 1)
    return t * t * (3 - 2 * t)
