"""Conversions between linear RGB, XYZ and CIELAB; it knows the standards and nothing of photos or liquids.

XYZ has white Y = 1. CIELAB is for D65 and the 2 degree observer unless a white is given.
Sources: CIE 015:2018 (CIELAB); IEC 61966-2-1:1999 (sRGB); SMPTE EG 432-1:2010 (P3 primaries, D65);
Adobe RGB (1998) colour image encoding, 2005-05. Own lines because every reading needs them at its start: importing
colour-science takes 1.1 s of processor time and skimage.color 0.23 s, a whole reading 0.4 s. The tests compare with both.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from colourmatch.records import Array

#: CIE D65, 2 degree observer, CIE 015:2018 (Y = 1), as every general library prints it.
WHITE_D65_XYZ: Array = np.array([0.95047, 1.0, 1.08883])

#: xy chromaticities of red, green and blue, and white D65 at x 0.3127, y 0.3290.
PRIMARIES_XY: dict[str, tuple[tuple[float, float], ...]] = {
    "sRGB": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),
    "Display P3": ((0.68, 0.32), (0.265, 0.69), (0.15, 0.06)),
    "Adobe RGB": ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)),
}

_DELTA = 6.0 / 29.0


def xyz_to_lab(xyz: ArrayLike, white_xyz: ArrayLike = WHITE_D65_XYZ) -> Array:
    """CIELAB of XYZ, shape (..., 3); negative tristimulus values follow the linear part of the formula.

    Source: CIE 015:2018, equations for L*, a*, b* with f(t) = t^(1/3) above (6/29)^3.
    """
    t = np.asarray(xyz, float) / np.asarray(white_xyz, float)
    f = np.where(t > _DELTA**3, np.cbrt(np.maximum(t, 0.0)), t / (3 * _DELTA**2) + 4.0 / 29.0)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def lab_to_xyz(lab: ArrayLike, white_xyz: ArrayLike = WHITE_D65_XYZ) -> Array:
    """XYZ of CIELAB, shape (..., 3); the exact inverse of `xyz_to_lab`."""
    lab = np.asarray(lab, float)
    fy = (lab[..., 0] + 16) / 116
    f = np.stack([fy + lab[..., 1] / 500, fy, fy - lab[..., 2] / 200], axis=-1)
    t = np.where(f > _DELTA, f**3, 3 * _DELTA**2 * (f - 4.0 / 29.0))
    xyz: Array = t * np.asarray(white_xyz, float)
    return xyz


#: Bradford cone responses of XYZ (Lam 1985), as ICC.1:2022 annex E prints them.
_BRADFORD: Array = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


def adaptation_matrix(source_white_xyz: ArrayLike, target_white_xyz: ArrayLike) -> Array:
    """3x3 matrix from XYZ seen under one white to XYZ seen under another, by Bradford's cones (ICC.1:2022, annex E)."""
    source, target = np.asarray(source_white_xyz, float), np.asarray(target_white_xyz, float)
    gain = (_BRADFORD @ target) / (_BRADFORD @ source)
    matrix: Array = np.linalg.solve(_BRADFORD, gain[:, None] * _BRADFORD)
    return matrix


def primaries_to_matrix(primaries_xy: ArrayLike, white_xyz: ArrayLike = WHITE_D65_XYZ) -> Array:
    """3x3 matrix from linear RGB to XYZ for primaries given as xy, scaled so that RGB 1, 1, 1 is the white.

    Source: SMPTE RP 177:1993 (derivation of basic television colour equations).
    """
    xy = np.asarray(primaries_xy, float)
    columns = np.stack([xy[:, 0] / xy[:, 1], np.ones(3), (1 - xy.sum(axis=1)) / xy[:, 1]])
    return columns * np.linalg.solve(columns, np.asarray(white_xyz, float))


#: Linear RGB to XYZ for the encodings that phones write.
RGB_TO_XYZ: dict[str, Array] = {name: primaries_to_matrix(xy) for name, xy in PRIMARIES_XY.items()}


def lab_to_p3(lab: ArrayLike) -> Array:
    """Linear Display P3 of CIELAB, shape (..., 3)."""
    return lab_to_xyz(lab) @ np.linalg.inv(RGB_TO_XYZ["Display P3"]).T


def p3_to_lab(linear: ArrayLike) -> Array:
    """CIELAB of linear Display P3, shape (..., 3)."""
    return xyz_to_lab(np.asarray(linear, float) @ RGB_TO_XYZ["Display P3"].T)


def slope_at(of: Callable[[Array], Array], at: Array, step: float) -> Array:
    """Change of a function of points (N, 3) at one point (3,), shape (3, 3), by differences to either side."""
    ends = of(np.concatenate([at + step * np.eye(3), at - step * np.eye(3)]))
    return ((ends[:3] - ends[3:]) / (2 * step)).T


def decode_srgb(value: ArrayLike) -> Array:
    """Linear light of sRGB-encoded values in 0 to 1; Display P3 uses the same curve (IEC 61966-2-1)."""
    v = np.asarray(value, float)
    linear: Array = np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0.0) + 0.055) / 1.055) ** 2.4)
    return linear


def encode_srgb(linear: ArrayLike) -> Array:
    """sRGB-encoded values of linear light, clipped to 0 to 1 first."""
    v = np.clip(np.asarray(linear, float), 0.0, 1.0)
    encoded: Array = np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
    return encoded


def lab_to_srgb(lab: ArrayLike) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """8-bit sRGB for a swatch, shape (..., 3), and whether the colour had to be clipped to fit, shape (...)."""
    linear = lab_to_xyz(lab) @ np.linalg.inv(RGB_TO_XYZ["sRGB"]).T
    clipped = np.any((linear < -0.002) | (linear > 1.002), axis=-1)
    return np.round(encode_srgb(linear) * 255).astype(np.uint8), clipped


def lab_to_hex(lab: ArrayLike) -> str:
    """The swatch colour of one Lab as #rrggbb, clipped into sRGB where it must be.

    >>> lab_to_hex([77.0, 44.5, 29.9])
    '#ff9b89'
    """
    rgb, _ = lab_to_srgb(lab)
    return "#" + "".join(f"{int(v):02x}" for v in rgb)
