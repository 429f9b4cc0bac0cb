"""Photos of a colour chart with measured spectra: what a camera of measured sensitivities writes, and the truth.

The chart is the mean of measured charts that colour-science carries (24 patches), a second one beside it the same a
little deeper or paler, as two liquids are. Tone curves are published ones and simple forms; none is of the set that
calibration/tone_curves.csv was made from. Nothing here knows the reader.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from drawn.camera import sensor_curves, tone_curve
from numpy.typing import NDArray
from worlds import colorchecker, draw_matrix, measured_phones, nikon

from colourmatch.colour.spaces import encode_srgb, xyz_to_lab
from colourmatch.colour.spectra import integration_weights, read_illuminant
from colourmatch.photo.rectangles import PATH_PART, UNEVEN_COLOUR_LOG, UNEVEN_LOG, VESSEL_APART, VESSEL_WHITE

if TYPE_CHECKING:
    from collections.abc import Callable

Array = NDArray[np.float64]
Box = tuple[float, float, float, float]

#: Places of white and of a light grey among the patches, row by row.
WHITE, LIGHT_GREY = 18, 19
SIZE, PITCH, PATCH = (320, 160), 25, 18
#: Tone curves. "flattened" renders a scene of high contrast, which no camera of calibration/tone_curves.csv does.
KINDS = ("encoding alone", "S", "shoulder", "filmic", "flattened")
#: Daylight and LEDs down to 2,700 K.
LIGHTS = (
    "D50",
    "D55",
    "D65",
    "D75",
    "LED-B1",
    "LED-B2",
    "LED-B3",
    "LED-B4",
    "LED-B5",
    "LED-BH1",
    "LED-V1",
    "LED-V2",
)


@dataclass(frozen=True, eq=False)
class ChartPhoto:
    """8-bit sRGB codes (rows, columns, 3), boxes of 48 patches, their XYZ under D65 (48, 3), and the tone curve's kind."""

    codes: NDArray[np.uint8]
    boxes: tuple[Box, ...]
    xyz: Array
    kind: str

    def lab(self, white: int) -> tuple[Array, float]:
        """Lab (48, 3) relative to one patch as the white of its own luminance, and that luminance (part)."""
        return relative_lab(self.xyz, white)


def relative_lab(xyz: Array, white: int) -> tuple[Array, float]:
    """Lab of XYZ (N, 3) relative to one of them as the white of its own luminance, and that luminance (part)."""
    part = float(xyz[white, 1])
    return xyz_to_lab(xyz / xyz[white] * part * integration_weights().sum(axis=0)), part


def photograph_chart(rng: np.random.Generator, kind: str, *, vessels: bool = False) -> ChartPhoto:
    """One chart by a camera and a light drawn at random; vessels: each patch strays as equal vessels do."""
    first = colorchecker()
    deeper = first ** rng.uniform(0.8, 1.25, (len(first), 1)) * rng.uniform(0.9, 1.05, (len(first), 1))
    spectra = np.concatenate([first, np.minimum(deeper, 0.95)])
    lamp = read_illuminant(str(rng.choice(LIGHTS)))
    sensor = measured_sensors()[str(rng.choice(list(measured_sensors())))]
    response = sensor * lamp[:, None]
    response /= response.sum(axis=0)
    seen = spectra
    if vessels:
        path = rng.normal(0, PATH_PART, (48, 1))
        wall = np.abs(rng.normal(0, VESSEL_WHITE) + rng.normal(0, VESSEL_APART, (48, 1)))
        seen = spectra ** (1 + path) + wall
        seen[[WHITE, LIGHT_GREY]] = spectra[[WHITE, LIGHT_GREY]]
    linear = np.maximum(seen @ response @ draw_matrix(rng, sensor, lamp, srgb=True, hard=1.0).T, 0.0)
    codes, boxes = _draw(rng, linear, _expose(rng, _draw_curve(rng, kind), kind, float(linear[WHITE].max())))
    return ChartPhoto(codes, boxes, spectra @ integration_weights(), kind)


@cache
def measured_sensors() -> dict[str, Array]:
    """Measured sensitivities (81, 3): six phones of calibration/sensors.json and a camera that colour-science carries."""
    return {name: sensor_curves(name) for name in measured_phones()} | {"Nikon 5100 (NPL)": nikon()}


def _draw_curve(rng: np.random.Generator, kind: str) -> Callable[[Array], Array]:
    """Encoded value of linear light in one of four ways."""
    if kind == "encoding alone":
        return lambda x: encode_srgb(np.clip(x, 0, 1))
    if kind == "S":
        strength = rng.uniform(0.1, 0.5)
        return lambda x: tone_curve(np.clip(x, 0, 1), strength, 0.98)
    if kind == "shoulder":
        knee, strength = rng.uniform(0.3, 0.9), rng.uniform(0, 0.2)
        return lambda x: tone_curve(x, strength, knee)
    rendered = _narkowicz if kind == "filmic" else (_hable, _reinhard)[rng.integers(2)]
    return lambda x: encode_srgb(np.clip(rendered(x), 0, 1))


def _hable(x: Array) -> Array:
    """Hable 2010, "Filmic tonemapping operators": white at 11.2."""

    def raw(v: Array | float) -> Array:
        return np.asarray((v * (0.15 * v + 0.05) + 0.004) / (v * (0.15 * v + 0.5) + 0.06) - 0.02 / 0.3)

    return raw(2 * x) / raw(11.2)


def _narkowicz(x: Array) -> Array:
    """Narkowicz 2015, "ACES filmic tone mapping curve"."""
    return x * (2.51 * x + 0.03) / (x * (2.43 * x + 0.59) + 0.14)


def _reinhard(x: Array) -> Array:
    """Reinhard, Stark, Shirley, Ferwerda 2002, doi:10.1145/566654.566575, eq. 4, with white at 3."""
    return x * (1 + x / 9) / (1 + x)


def _expose(
    rng: np.random.Generator, curve: Callable[[Array], Array], kind: str, white: float
) -> Callable[[Array], Array]:
    """The curve with an exposure that brings the brightest channel of white to a code of 190 to 245.

    A filmic curve is exposed as it was made for, half a stop more or less.
    """
    wanted, levels = rng.uniform(190, 245) / 255, np.geomspace(0.05, 20, 4000)
    gain = float(levels[np.searchsorted(np.maximum.accumulate(curve(levels)), wanted)]) / white
    if kind == "filmic":
        gain = 0.6 * 2 ** rng.uniform(-0.5, 0.5)
    return lambda linear: curve(linear * gain)


def _draw(
    rng: np.random.Generator, linear: Array, curve: Callable[[Array], Array]
) -> tuple[NDArray[np.uint8], tuple[Box, ...]]:
    """Both charts side by side in light that changes over the picture as much as the reader allows for."""
    width, height = SIZE
    y, x = np.mgrid[0:height, 0:width] - np.array([height / 2, width / 2])[:, None, None]
    slope = (rng.normal(0, UNEVEN_LOG, 2)[:, None] + rng.normal(0, UNEVEN_COLOUR_LOG, (2, 3))) / (0.5 * np.hypot(*SIZE))
    picture = np.full((height, width, 3), 0.02)
    boxes = []
    for k, value in enumerate(linear):
        chart, place = divmod(k, 24)
        left, top = 5 + 160 * chart + PITCH * (place % 6), 30 + PITCH * (place // 6)
        picture[top : top + PATCH + 4, left : left + PATCH + 4] = value
        boxes.append((left + 2.0, top + 2.0, float(PATCH), float(PATCH)))
    lit = picture * np.exp(x[..., None] * slope[0] + y[..., None] * slope[1])
    codes = 255 * curve(lit) + rng.normal(0, 1.0, lit.shape)
    return np.clip(np.round(codes), 0, 255).astype(np.uint8), tuple(boxes)


@cache
def published_chart() -> Array:
    """XYZ (24, 3) under D65 of the chart as sold since November 2014: published for D50, adapted by Bradford's matrix."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        chart = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
        xyz = colour.xyY_to_XYZ(list(chart.data.values()))
        white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
        return np.asarray(
            colour.chromatic_adaptation(
                xyz,
                colour.xy_to_XYZ(chart.illuminant),
                colour.xy_to_XYZ(white),
                method="Von Kries",
                transform="Bradford",
            )
        )
