"""Worlds drawn at random: what a phone reads of two drinks and of water over white and over colour fields, and the truth.

Vectorised and without pixels: what photo/spot.py would hand on. Sensors: invented ones within the ranges that surveys of
cameras report (Jiang, Liu, Gu, Suesstrunk 2013, WACV, from memory) and those of calibration/sensors.json, each moved
and widened a little. Lamps: daylight, CIE LEDs and fluorescents, incandescent, mixtures, invented blue-pumped LEDs.
Matrices: white-preserving least squares on a chart (Finlayson, Drew 1997), as makers fit them. Inks: drawn/inks.py.
Drinks: natural colours and dyes, metameric pairs of them, and one in six of free shape, for a table that has seen the
listed dyes only says too much of others. Noise, as the reader has it on drawn photos, comes in add_noise.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cache

import numpy as np
from drawn.camera import sensor_curves
from drawn.inks import field_reflectances, vary_inks
from numpy.typing import NDArray

from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spaces import RGB_TO_XYZ, decode_srgb, encode_srgb
from colourmatch.colour.spectra import WAVELENGTHS_NM as NM
from colourmatch.colour.spectra import (
    daylight_spectrum,
    integration_weights,
    planck_spectrum,
    read_illuminant,
)
from colourmatch.facts import read_json
from colourmatch.liquid.colourants import find_colourant, list_colourants
from colourmatch.liquid.model import absorbance_to_lab, base_shapes
from colourmatch.photo.estimator import CHANNEL_SD, FIELD_SD, FLOOR, GLASS_SD, HAZE_SD, WHITE_SD

Array = NDArray[np.float64]

LED = ("LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "LED-BH1", "LED-RGB1", "LED-V1", "LED-V2")
FLUORESCENT = tuple(f"FL{n}" for n in range(1, 13))
_LUMA = np.array([0.23, 0.69, 0.08])


@dataclass(frozen=True, eq=False)
class Worlds:
    """What N pairs are without noise, linear Display P3 relative to paper, (N, 7, 3): white first, then the six fields.

    water: whether a glass of water stands there; srgb: whether the file was sRGB; world (N,): pairs of one number share
    phone, lamp and inks; lab (N, 2, 3): truth of reference and batch; absorbance (N, 2, 81); lamp (N, 81).
    """

    reference: Array
    batch: Array
    blank: Array
    water: NDArray[np.bool_]
    srgb: NDArray[np.bool_]
    world: NDArray[np.intp]
    lab: Array
    absorbance: Array
    free: NDArray[np.bool_]

    def take(self, rows: NDArray[np.bool_] | NDArray[np.intp] | slice) -> Worlds:
        """Some of the pairs."""
        return Worlds(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))

    @property
    def delta_e(self) -> Array:
        """True CIEDE2000, shape (N,)."""
        return np.asarray(ciede2000(self.lab[:, 0], self.lab[:, 1]))


def draw_worlds(
    rng: np.random.Generator,
    worlds: int,
    pairs: int,
    phones: tuple[str, ...] = (),
    *,
    share: float = 0.4,
    hard: float = 1.0,
    lamps: tuple[str, ...] = (),
    bare: bool = False,
) -> Worlds:
    """So many worlds of so many pairs each.

    phones: names of measured sensors; that share of the worlds has one of them. lamps: CIE lights that alone shine there.
    bare: nothing stands over what is read, which is as often a surface as a drink; white is its own blank.
    """
    once, free = draw_drinks(rng, worlds * pairs)
    if bare:
        once[::2], free[::2] = draw_surfaces(rng, len(once[::2])), True
    parts = []
    for k in range(worlds):
        rows = slice(k * pairs, (k + 1) * pairs)
        parts.append(_draw_world(rng, (once[rows], free[rows]), (phones, share, lamps), k, hard, bare=bare))
    return Worlds(*(np.concatenate([part[i] for part in parts]) for i in range(len(parts[0]))))


def _draw_world(
    rng: np.random.Generator,
    drinks: tuple[Array, NDArray[np.bool_]],
    of: tuple[tuple[str, ...], float, tuple[str, ...]],
    number: int,
    hard: float,
    *,
    bare: bool,
) -> list[Array]:
    (once, free), (phones, share, lamps) = drinks, of
    pairs = len(once)
    measured = phones and rng.random() < share
    sensor = draw_measured(rng, str(rng.choice(phones))) if measured else draw_sensor(rng)
    lamp = _lamp(str(rng.choice(lamps))) if lamps else draw_lamp(rng)
    srgb = rng.random() < 0.5
    matrix = draw_matrix(rng, sensor, lamp, srgb=srgb, hard=hard)
    inks = field_reflectances(vary_inks(rng))
    # the same field of three spots differs a little on one sheet
    sheets = np.concatenate([np.ones((1, len(NM))), inks])[None] * np.ones((3, 1, 1))
    sheets[:, 1:] *= np.exp(rng.normal(0, rng.uniform(0, 0.006), (3, 6, 1)))
    response = sensor * lamp[:, None]
    response /= response.sum(axis=0)
    glass, veil = rng.uniform(0.88, 0.98), rng.normal(0.008, 0.010)
    # tones that no card told are an error of their own where nothing stands over the liquids (photo/rectangles.py)
    strength, paper = rng.normal(0.03, 0.07) * hard * (not bare), rng.uniform(0.5, 0.85)
    to_p3 = file_to_p3(srgb=srgb)
    water = bare or rng.random() < 0.85

    def read(reflectance: Array, sheet: Array, *, glassed: bool = True) -> Array:
        """(N, 7, 3) of reflectances (N, 81) over one spot's fields (7, 81)."""
        light = (reflectance[:, None] * sheet) @ response
        if glassed and not bare:  # what is left of the surface's white
            light = glass * light + veil
        return bend(np.maximum(light @ matrix.T, 0.0), strength, paper) @ to_p3.T

    seen = [read(10 ** (-2 * once[:, k]), sheets[k]) for k in range(2)]
    blank = read(np.ones((pairs, len(NM))), sheets[2], glassed=bool(water))
    lab = np.stack([absorbance_to_lab(once[:, k]) for k in range(2)], axis=1)
    full = np.full(pairs, 1)
    return [*seen, blank, full * water > 0, full * srgb > 0, full * number, lab, once, free]


def add_noise(rng: np.random.Generator, values: Array, level: Array) -> Array:
    """Readings (N, C, 3) with the noise of a photo that is `level` (N,) times as noisy as a hard one."""
    of_field = (np.arange(values.shape[1]) > 0).astype(float)[:, None]
    level = level[:, None, None]

    def draw(*shape: int) -> Array:
        return level * rng.standard_normal((len(values), *shape), dtype=np.float32)

    common = GLASS_SD * draw(1, 1) + FIELD_SD * of_field * draw(values.shape[1], 1)
    own = (WHITE_SD + (CHANNEL_SD - WHITE_SD) * of_field) * draw(*values.shape[1:])
    floor = FLOOR * (0.3 + 0.7 * of_field) * draw(*values.shape[1:])
    return (values + HAZE_SD * draw(1, 1)) * np.exp(common + own) + floor


def bend(linear: Array, strength: float, paper: float) -> Array:
    """An S about the encoded middle that the reading's own correction leaves, paper kept."""
    v = encode_srgb(np.clip(linear * paper, 0, 1.2))
    white = float(encode_srgb(np.array(paper)))
    s = v + strength * v * (1 - v) * (2 * v - 1)
    s_white = white + strength * white * (1 - white) * (2 * white - 1)
    return decode_srgb(np.maximum(s, 0)) / float(decode_srgb(np.array(s_white)))


def draw_sensor(rng: np.random.Generator) -> Array:
    """Sensitivities (81, 3) of one invented camera."""

    def bump(centre: float, sigma: float, height: float = 1.0) -> Array:
        return height * np.exp(-0.5 * ((NM - centre) / sigma) ** 2)

    red = bump(rng.normal(600, 7), rng.uniform(22, 42)) + bump(rng.normal(530, 15), 30, rng.uniform(0.02, 0.22))
    red += bump(rng.normal(430, 15), 25, rng.uniform(0, 0.08)) + bump(rng.normal(640, 10), 18, rng.uniform(0, 0.4))
    green = bump(rng.normal(534, 6), rng.uniform(31, 45)) + bump(rng.normal(610, 14), 25, rng.uniform(0.02, 0.17))
    green += bump(rng.normal(478, 10), 18, rng.uniform(0.02, 0.3)) + bump(rng.normal(570, 8), 20, rng.uniform(0, 0.3))
    blue = bump(rng.normal(459, 7), rng.uniform(20, 34)) + bump(rng.normal(530, 14), 28, rng.uniform(0.02, 0.22))
    blue += bump(rng.normal(482, 6), 14, rng.uniform(0, 0.4)) + bump(rng.normal(620, 20), 28, rng.uniform(0, 0.05))
    cut = 1 / (1 + np.exp((NM - rng.normal(668, 14)) / rng.uniform(4, 12)))
    cut = cut / (1 + np.exp(-(NM - rng.normal(412, 6)) / 6))
    return np.stack([red, green, blue], axis=1) * cut[:, None] * _ripple(rng)


def draw_measured(rng: np.random.Generator, name: str) -> Array:
    """A measured sensor moved by some nm, widened a little, with a smooth ripple."""
    shift, widen = rng.normal(0, 4, 3), np.exp(rng.normal(0, 0.08, 3))
    own = sensor_curves(name)
    out = np.empty_like(own)
    for k in range(3):
        centre = float((NM * own[:, k]).sum() / own[:, k].sum())
        out[:, k] = np.interp(centre + (NM - shift[k] - centre) / widen[k], NM, own[:, k], left=0.0, right=0.0)
    return out * _ripple(rng)


def _ripple(rng: np.random.Generator) -> Array:
    knots = np.linspace(NM[0], NM[-1], 9)
    return np.stack([np.exp(np.interp(NM, knots, rng.normal(0, 0.06, 9))) for _ in range(3)], axis=1)


def file_to_p3(*, srgb: bool) -> Array:
    """From a file's linear primaries to linear Display P3, (3, 3)."""
    return np.linalg.inv(RGB_TO_XYZ["Display P3"]) @ RGB_TO_XYZ["sRGB"] if srgb else np.eye(3)


@cache
def _lamp(name: str) -> Array:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return _even(read_illuminant(name))


def _even(spectrum: Array) -> Array:
    return spectrum / float(spectrum @ integration_weights("E")[:, 1])


def draw_lamp(rng: np.random.Generator) -> Array:
    """Spectral power (81,) of a lamp, or a mixture of two."""
    lamp = _one_lamp(rng)
    if rng.random() < 0.3:
        share = rng.uniform(0.05, 0.5)
        lamp = (1 - share) * lamp + share * _one_lamp(rng)
    return lamp


def _one_lamp(rng: np.random.Generator) -> Array:
    kind = rng.choice(
        ["day", "planck", "warm", "led", "blue-pumped", "fluorescent"], p=[0.32, 0.18, 0.07, 0.22, 0.17, 0.04]
    )
    if kind == "day":
        return _day(round(rng.uniform(4200, 8200), -2))
    if kind == "planck":
        return _body(round(rng.uniform(4500, 7500), -2))
    if kind == "warm":
        return _body(round(rng.uniform(2600, 4500), -2))
    if kind == "led":
        return _lamp(str(rng.choice(LED)))
    if kind == "fluorescent":
        return _lamp(str(rng.choice(FLUORESCENT)))
    blue = np.exp(-0.5 * ((NM - rng.normal(452, 6)) / rng.uniform(8, 13)) ** 2)
    glow = np.exp(-0.5 * ((NM - rng.normal(555, 15)) / rng.uniform(42, 62)) ** 2)
    red = np.exp(-0.5 * ((NM - rng.normal(622, 10)) / rng.uniform(20, 45)) ** 2)
    return _even(rng.uniform(0.25, 1.1) * blue + glow + rng.uniform(0, 0.9) * red)


@cache
def _body(kelvin: float) -> Array:
    return _even(planck_spectrum(kelvin))


@cache
def _day(kelvin: float) -> Array:
    return _even(daylight_spectrum(kelvin))


def draw_surfaces(rng: np.random.Generator, count: int) -> Array:
    """Pairs of smooth random reflectances as absorbances that light passes twice, (count, 2, 81): near or far apart."""
    centres, widths = rng.uniform(360, 800, (count, 1, 5)), rng.uniform(25, 110, (count, 1, 5))
    shapes = np.exp(-0.5 * ((NM[:, None] - centres) / widths) ** 2)
    of_first = rng.normal(0, 1.5, (count, 6))
    apart = 10 ** rng.uniform(-1.5, 0.3, (count, 1)) * rng.normal(0, 1.0, (count, 6))
    both = np.stack([of_first, of_first + apart], axis=1)
    bumps = np.einsum("nwk,npk->npw", shapes, both[..., :5]) + both[..., 5:]
    return -np.log10(0.03 + 0.92 / (1 + np.exp(-1.5 * bumps))) / 2


@cache
def _smooth_chart() -> Array:
    """Smooth random reflectances and dye-like ones, as a maker's own training set, (160, 81)."""
    rng = np.random.default_rng(77)
    rows = []
    for _ in range(100):
        centres, widths = rng.uniform(360, 800, 5), rng.uniform(25, 110, 5)
        bumps = np.exp(-0.5 * ((NM[:, None] - centres) / widths) ** 2) @ rng.normal(0, 1, 5)
        rows.append(0.03 + 0.92 / (1 + np.exp(-2.2 * bumps - rng.normal(0, 0.8))))
    for _ in range(60):
        rows.append(
            10 ** (-rng.uniform(0.1, 1.6) * np.exp(-0.5 * ((NM - rng.uniform(400, 640)) / rng.uniform(25, 60)) ** 2))
        )
    return np.array(rows)


def _warmth(lamp: Array) -> float:
    """0 at 6504 K, 1 at 2856 K, even in reciprocal temperature; McCamy 1992, Color Res. Appl. 17, 142."""
    x, y, z = lamp @ integration_weights("E")
    n = (x / (x + y + z) - 0.3320) / (0.1858 - y / (x + y + z))
    kelvin = 449 * n**3 + 3525 * n**2 + 6823.3 * n + 5520.33
    return float((1 / max(kelvin, 1500.0) - 1 / 6504) / (1 / 2856 - 1 / 6504))


def nikon() -> Array:
    """Sensitivities (81, 3) of the Nikon 5100 as the NPL measured it; no table is fitted on it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        sensor = colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"]
    return np.array([sensor[float(w)] for w in NM]).reshape(-1, 3)


@cache
def colorchecker() -> Array:
    """Reflectances (24, 81) of the ColorChecker, BabelColor average, in colour-science."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        patches = colour.SDS_COLOURCHECKERS["BabelColor Average"].values()
        return np.array([np.interp(NM, p.wavelengths, p.values) for p in patches])


def keep_white(seen: Array, target: Array, weight: Array | float = 1.0) -> Array:
    """The 3x3 matrix, rows summing to 1, that maps seen (N, 3) best to target (N, 3)."""
    off, wanted = (seen - seen[:, 1:2])[:, [0, 2]], target - seen[:, 1:2]
    sides = np.linalg.lstsq(off * weight, wanted * weight, rcond=None)[0].T
    return np.stack([sides[:, 0], 1 - sides.sum(axis=1), sides[:, 1]], axis=1)


def draw_matrix(rng: np.random.Generator, sensor: Array, lamp: Array, *, srgb: bool, hard: float) -> Array:
    """3x3 from white-balanced signals to the file's linear RGB, rows summing to 1."""
    gamut = "sRGB" if srgb else "Display P3"
    back = np.linalg.inv(RGB_TO_XYZ[gamut]).T
    # makers go between two matrices by the colour temperature of the light
    warm = float(np.clip(_warmth(lamp) + rng.normal(0, 0.12), 0, 1))
    usual = (1 - warm) * _lamp("D65") + warm * _lamp("A")
    known = sensor * (lamp if rng.random() < 0.5 else usual)[:, None]
    chart = colorchecker() if rng.random() < 0.5 else _smooth_chart()
    weights = integration_weights()
    target = chart @ weights @ back / (weights.sum(axis=0) @ back)
    seen = chart @ (known / known.sum(axis=0))
    weight = 1 / (0.15 + target.mean(axis=1, keepdims=True)) if rng.random() < 0.6 else 1.0
    matrix = keep_white(seen, target, weight)
    error = rng.normal(0, rng.uniform(0, 0.025) * hard, (3, 3))
    matrix = matrix + error - error.mean(axis=1, keepdims=True)
    boost = rng.normal(1.06, 0.06)
    return (boost * np.eye(3) + (1 - boost) * _LUMA) @ matrix


@cache
def _listed() -> tuple[str, ...]:
    return tuple(c.e_number for c in list_colourants() if c.shape.max() > 0.5)


@cache
def _dyes() -> Array:
    return np.array([find_colourant(name).shape for name in _listed()])


def draw_drinks(rng: np.random.Generator, count: int) -> tuple[Array, NDArray[np.bool_]]:
    """Pairs of single-pass absorbances (count, 2, 81), and which are of free shape.

    A batch holds what its reference holds in other amounts (half), or the same base and another dye, or anything near
    (matched in CIELAB by the amounts of other colours), or anything.
    """
    out = [_draw_some(rng, min(4000, count - start)) for start in range(0, count, 4000)]
    return np.concatenate([pair for pair, _ in out]), np.concatenate([free for _, free in out])


def _draw_some(rng: np.random.Generator, count: int) -> tuple[Array, NDArray[np.bool_]]:
    free = rng.random(count) < 1 / 6
    parts, amounts = _draw_parts(rng, count, free)
    least = np.where(rng.random(count) < 0.1, rng.uniform(0.4, 0.95, count), rng.uniform(0.06, 0.4, count))
    first = np.einsum("nk,nkw->nw", amounts, parts)
    scale = _to_depth(first, least)
    first, amounts = first * scale, amounts * scale
    step = 10 ** rng.uniform(-1.1, 0.15, (count, 1))
    moved = amounts * np.exp(rng.normal(0, 0.4, amounts.shape) * step)
    dosed = amounts * np.exp(rng.normal(0, 0.15, amounts.shape) * step)
    dosed[:, 3:] *= 1 - np.minimum(step, 1) * rng.uniform(0, 1, (count, 1))
    # another dye in the place of the reference's, about as strong
    other, others = _draw_parts(rng, count, free)
    swap = np.where((rng.random(count) < 0.5)[:, None, None], other, parts)
    swap[:, :3] = parts[:, :3]
    strength = amounts[:, 3:].sum(axis=1, keepdims=True) * np.exp(rng.normal(0, 0.5, (count, 1)))
    swapped = dosed.copy()
    swapped[:, 3:] = others[:, 3:] / np.maximum(others[:, 3:].sum(axis=1, keepdims=True), 1e-6) * strength
    anything = np.einsum("nk,nkw->nw", others, other)
    anything = anything * _to_depth(anything, rng.uniform(0.06, 0.5, count))
    kinds = [
        np.einsum("nk,nkw->nw", moved, parts),
        np.einsum("nk,nkw->nw", dosed, parts),
        np.einsum("nk,nkw->nw", swapped, swap),
        first + np.minimum(step, 1) * (anything - first) * 0.5,
        anything,
    ]
    kind = rng.choice(6, count, p=[0.36, 0.26, 0.16, 0.08, 0.05, 0.09])
    batch = np.stack([*kinds, first])[kind, np.arange(count)]
    like = kind == 5
    batch[like] = _alike(rng, first[like])
    return np.stack([first, batch], axis=1), free


def _draw_parts(rng: np.random.Generator, count: int, free: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Six colours of each drink, three natural ones and three dyes, (count, 6, 81), and their amounts (count, 6).

    Half of them are what makers of bitters and cordials tint: browns, yellows and reds.
    """
    usual = rng.random(count) < 0.6
    naturals = np.where(usual[:, None, None], _usual_bases(rng, count), _any_bases(rng, count))
    # most of the reds and yellows that are made hold one dye, a third two, some three
    dyes = np.where(
        usual[:, None],
        _pick(rng, count, np.array([_USUAL.get(name, 0.1) for name in _listed()])),
        _pick(rng, count, np.ones(len(_dyes()))),
    )
    shapes = np.concatenate([naturals, _dyes()[dyes]], axis=1)
    shapes = np.where(
        (free[:, None] & (rng.random((count, 6)) < 0.8))[..., None],
        _free_shape(rng, count * 6).reshape(count, 6, -1),
        shapes,
    )
    amounts = np.concatenate(
        [
            10 ** rng.uniform(-1.6, 0.2, (count, 3)) * (rng.random((count, 3)) < [1.0, 0.5, 0.9]),
            10 ** rng.uniform(-0.6, 0.6, (count, 3)) * (rng.random((count, 3)) < [0.9, 0.35, 0.15]),
        ],
        axis=1,
    )
    moved = _move(rng, shapes.reshape(count * 6, -1)).reshape(shapes.shape)
    return moved, np.maximum(amounts, 1e-4)


#: How often a dye is in what makers tint, in the order of the colourant table; the others a little.
_USUAL = {
    "E129": 5,
    "E124": 3,
    "E110": 3,
    "E102": 3,
    "E122": 2,
    "E163": 1,
    "E162": 1,
    "E120": 1,
    "E123": 1,
    "E133": 0.5,
}


def _pick(rng: np.random.Generator, count: int, often: Array) -> NDArray[np.intp]:
    """Three different dyes of each drink, (count, 3), drawn by how often they are used (Gumbel's way)."""
    keys = np.log(often) + rng.gumbel(size=(count, len(often)))
    return np.argsort(-keys, axis=1)[:, :3]


def _usual_bases(rng: np.random.Generator, count: int) -> Array:
    brown = np.exp(-rng.uniform(0.007, 0.02, (count, 1)) * (NM - 430))
    width, peak = rng.uniform(26, 42, (count, 1)), rng.normal(524, 6, (count, 1))
    berry = np.exp(-0.5 * ((NM - peak) / width) ** 2) + rng.uniform(0.2, 0.5, (count, 1)) * np.exp(
        -(((NM - 400) / 70) ** 2)
    )
    leaf = np.exp(-0.5 * ((NM - rng.uniform(390, 415, (count, 1))) / rng.uniform(34, 52, (count, 1))) ** 2)
    return np.stack([brown, berry, leaf], axis=1)


def _any_bases(rng: np.random.Generator, count: int) -> Array:
    base = base_shapes()
    often = np.array([1, 1, 1, 1, 1, 0.3, 0.3, 0.2])
    return base[np.argsort(-(np.log(often) + rng.gumbel(size=(count, len(base)))), axis=1)[:, :3]]


def _move(rng: np.random.Generator, absorbance: Array) -> Array:
    """The same spectra shifted by some nm and stretched in height along the spectrum, as another maker's dye is."""
    shift = rng.normal(0, 4, (len(absorbance), 1))
    slope = np.gradient(absorbance, NM, axis=1)
    tilt = np.exp(rng.normal(0, 0.05, (len(absorbance), 1)) * (NM - 520) / 100)
    return np.maximum(absorbance - shift * slope, 0.0) * tilt


def _free_shape(rng: np.random.Generator, count: int) -> Array:
    """Absorbance (count, 81) of two to five bands anywhere, with a tail."""
    out = np.zeros((count, len(NM)))
    for _ in range(5):
        centre, width = rng.uniform(370, 720, (count, 1)), rng.uniform(14, 80, (count, 1))
        out += (
            (rng.random((count, 1)) < 0.6)
            * rng.gamma(0.8, 0.3, (count, 1))
            * np.exp(-0.5 * ((NM - centre) / width) ** 2)
        )
    tail = rng.uniform(0.004, 0.02, (count, 1))
    return out + rng.gamma(0.4, 0.15, (count, 1)) * np.exp(-tail * (NM - 430)) + 1e-4


def _to_depth(absorbance: Array, least: Array) -> Array:
    """What (N, 1) to multiply by, so that the emptiest linear Display P3 channel is about as given."""
    back = integration_weights() @ np.linalg.inv(RGB_TO_XYZ["Display P3"]).T
    back = back / back.sum(axis=0)
    scale = np.ones((len(absorbance), 1))
    low, high = np.full_like(scale, 0.01), np.full_like(scale, 30.0)
    for _ in range(14):
        scale = np.sqrt(low * high)
        dark = (10 ** (-2 * scale * absorbance) @ back).min(axis=1, keepdims=True) < least[:, None]
        low, high = np.where(dark, low, scale), np.where(dark, scale, high)
    return scale


def _alike(rng: np.random.Generator, first: Array) -> Array:
    """Drinks of other colours whose CIELAB comes near that of first (M, 81): amounts of three colours by Gauss-Newton."""
    count, target = len(first), absorbance_to_lab(first)
    target = target + rng.normal(0, 1, (count, 3)) * (10 ** rng.uniform(-0.3, 0.9, (count, 1)))
    shapes = np.concatenate([base_shapes(), _dyes()])
    pick = np.argsort(rng.random((count, len(shapes))), axis=1)[:, :5]
    parts = np.where(
        (rng.random((count, 5)) < 0.25)[..., None],
        _free_shape(rng, count * 5).reshape(count, 5, -1),
        shapes[pick],
    )
    parts = np.stack([_move(rng, parts[:, k]) for k in range(5)], axis=1)
    parts /= np.maximum(parts.max(axis=2, keepdims=True), 1e-3)
    logs = np.log(rng.uniform(0.02, 0.3, (count, 5)))
    for _ in range(25):
        mixed = np.einsum("nk,nkw->nw", np.exp(logs), parts)
        lab = absorbance_to_lab(mixed)
        slopes = (
            np.stack(
                [absorbance_to_lab(mixed + 0.02 * np.exp(logs[:, k, None]) * parts[:, k]) - lab for k in range(5)],
                axis=2,
            )
            / 0.02
        )
        gram = slopes.transpose(0, 2, 1) @ slopes + 0.3 * np.eye(5)
        wanted = slopes.transpose(0, 2, 1) @ (target - lab)[..., None]
        logs = np.clip(logs + np.clip(np.linalg.solve(gram, wanted)[..., 0], -1, 1), np.log(1e-4), np.log(3.0))
    return np.einsum("nk,nkw->nw", np.exp(logs), parts)


def measured_phones() -> tuple[str, ...]:
    """The sensors of calibration/sensors.json."""
    return tuple(read_json("sensors.json")["phones"])
