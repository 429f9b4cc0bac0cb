"""How much of each light falls where on the table, as smooth fields over the frame.

It knows the geometry of light on a plane and refuses to know spectra and materials.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from colourmatch.simulate.geometry import Picture, View
from colourmatch.simulate.settings import Light

#: Fields are worked out on every so manyth pixel: the sharpest thing in them is a penumbra of some mm.
_COARSE_PX = 6


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
