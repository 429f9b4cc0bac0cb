"""Reads one spot of a flat card: mean colour of the liquid with its covariance, clarity, glints; it knows no standards.

Values are linear light relative to bare paper at the same place, in the file's primaries.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from colourmatch.photo.clarity import Bars
from colourmatch.photo.glass import Glass, find_glass
from colourmatch.photo.light import FlatCard, LightField

Array = NDArray[np.float64]

#: Distance kept from the wall, for the meniscus (pharmacopoeial viewing practice: 3 to 4 mm).
WALL_MARGIN_MM = 3.0
#: Paper seen through no glass differs from bare paper by less than this (natural log).
_SAME_AS_PAPER_LOG = 0.035
#: Codes outside this range carry no dose; nor does a window with over 1 % of its pixels at an end.
LOW_CODE, HIGH_CODE, END_SHARE = 10.0, 250.0, 0.01


@dataclass(frozen=True)
class SpotReading:
    """What was read on one spot.

    rgb (3,) and rgb_cov (3, 3): linear light relative to paper, covariance of this window alone. bars: the clarity
    bars through the liquid, None where they cannot be seen. empty, full: channels at an end of the range.
    """

    name: str
    present: bool
    rgb: Array
    rgb_cov: Array
    bars: Bars | None
    glass: Glass | None
    window_share: float
    glint_share: float
    empty: tuple[bool, bool, bool]
    full: tuple[bool, bool, bool]


def read_spot(flat: FlatCard, light: LightField, name: str) -> SpotReading:
    """Read one spot, "reference", "batch" or "blank", from the flat card and its light."""
    card = flat.card
    spot = card.spots[name]
    rows, cols = flat.crop(spot, card.ring_diameter_mm / 2 + 2.5)
    x, y = flat.positions(rows, cols)
    relative = flat.decode(rows, cols) / _light_on_grid(light, x, y)
    relative = np.where(flat.inside[rows, cols][..., None], relative, 1.0).astype(np.float32)
    glass = find_glass(relative, spot, card.ring_diameter_mm / 2, flat.px_per_mm)
    wx, wy = card.window_centre_mm(name)
    window = np.hypot(x - wx, y - wy) <= card.window_radius_mm
    usable = window & flat.inside[rows, cols]
    if glass is not None:
        gx, gy = glass.centre_mm
        usable &= np.hypot(x - gx, y - gy) <= glass.inner_mm - WALL_MARGIN_MM
    share = float(usable.sum() / window.sum())
    if usable.sum() < 30:
        usable = window & flat.inside[rows, cols]
    clean, glints = _reject_glints(relative, usable)
    if glass is not None and _mirrors(
        relative,
        usable,
        np.hypot(x - glass.centre_mm[0], y - glass.centre_mm[1]) <= glass.inner_mm - WALL_MARGIN_MM,
    ):
        glints = 1.0
    rgb, cov = _block_mean(relative, clean, flat.px_per_mm)
    codes = flat.codes[rows, cols][clean].astype(float)
    present = glass is not None or bool(np.abs(np.log(np.maximum(rgb, 1e-4))).max() > _SAME_AS_PAPER_LOG)
    bars = _read_bars(flat, light, name, (rows, cols), glass)
    return SpotReading(
        name=name, present=present, rgb=rgb, rgb_cov=cov, bars=bars, glass=glass, window_share=share,
        glint_share=glints, empty=_at_end(codes, low=True), full=_at_end(codes, low=False),
    )  # fmt: skip


def _light_on_grid(light: LightField, x: Array, y: Array, step_mm: float = 4.0) -> NDArray[np.float32]:
    """The light on a crop, predicted every few millimetres and interpolated: it is smooth on that scale."""
    height, width = y.shape[0], x.shape[1]
    nx, ny = (int(np.ceil((a.max() - a.min()) / step_mm)) + 1 for a in (x, y))
    # cell centres of an nx by ny division of the crop, so that an area-true enlargement is exact
    gx = x.min() + (np.arange(nx) + 0.5) / nx * (x.max() - x.min())
    gy = y.min() + (np.arange(ny) + 0.5) / ny * (y.max() - y.min())
    points = np.stack(np.meshgrid(gx, gy), axis=-1).reshape(-1, 2)
    coarse = light.at(points).reshape(ny, nx, 3).astype(np.float32)
    return cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)


def _at_end(codes: Array, *, low: bool) -> tuple[bool, bool, bool]:
    if low:
        hit = (codes.mean(axis=0) < LOW_CODE) | ((codes <= 0).mean(axis=0) > END_SHARE)
    else:
        hit = (codes.mean(axis=0) > HIGH_CODE) | ((codes >= 255).mean(axis=0) > END_SHARE)
    return tuple(bool(h) for h in hit)


def _reject_glints(
    relative: NDArray[np.float32], usable: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], float]:
    """Leave out pixels far from the window's median in any channel, with a rim around them; the share left out."""
    values = relative[usable]
    middle = np.median(values, axis=0)
    spread = 1.4826 * np.median(np.abs(values - middle), axis=0)
    limit = np.maximum(4.5 * spread, 0.02 * middle + 0.004)
    off = np.abs(relative - middle) > limit
    odd = ((off[..., 0] | off[..., 1] | off[..., 2]) & usable).astype(np.uint8)
    # single pixels are noise's own tail; glints, bubbles and their rims are connected
    odd = cv2.morphologyEx(odd, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    odd = cv2.dilate(odd, np.ones((5, 5), np.uint8)) > 0
    clean = usable & ~odd
    share = 1 - float(clean.sum() / max(usable.sum(), 1))
    return (clean if clean.sum() >= 30 else usable), share


def _mirrors(relative: NDArray[np.float32], window: NDArray[np.bool_], liquid: NDArray[np.bool_]) -> bool:
    """Whether the window is clearly brighter in every channel than the same liquid beside it: a reflection over it all.

    The darker half of the liquid outside the window is compared, so that a reflection reaching out of it still shows.
    """
    beside = relative[liquid & ~window]
    if len(beside) < 100:
        return False
    plain = np.percentile(beside, 40, axis=0)
    return bool((np.median(relative[window], axis=0) > 1.3 * plain + 0.02).all())


def _block_mean(relative: NDArray[np.float32], clean: NDArray[np.bool_], scale: int) -> tuple[Array, Array]:
    """Mean of the window and its covariance from the scatter of 4 mm blocks, which includes correlated noise."""
    rows, cols = np.nonzero(clean)
    block = (rows // (4 * scale)) * 1000 + cols // (4 * scale)
    values = relative[rows, cols].astype(float)
    _, index, counts = np.unique(block, return_inverse=True, return_counts=True)
    sums = np.zeros((len(counts), 3))
    np.add.at(sums, index, values)
    big = counts >= 0.3 * counts.max()
    means, weights = (sums / counts[:, None])[big], counts[big] / counts[big].sum()
    mean = values.mean(axis=0)
    off = means - weights @ means
    effective = 1 / (weights**2).sum()
    cov = (off * weights[:, None]).T @ off / max(effective - 1, 1.0)
    # rounding to 8-bit codes leaves part of a code in common on a smooth window; noise and many JPEG blocks average most of it
    floor = (0.15 / 255 * 2.2 * np.maximum(mean, 0.02)) ** 2
    return mean, cov + np.diag(floor)


def _read_bars(
    flat: FlatCard, light: LightField, name: str, crop: tuple[slice, slice], glass: Glass | None
) -> Bars | None:
    """Bright and dark level of the bars through the liquid; None when under three periods lie inside the glass.

    Each period gives the 85th and 15th percentile of its columns' medians, so the bars' exact phase and a refracted
    shift do not matter; the median period counts, so a reflection over some bars does not. They are taken from luma,
    which a JPEG keeps at full resolution while it halves the colours'.
    """
    card, table = flat.card, flat.decode_table[1]
    bx, by = card.bars_centre_mm(name)
    x, y = flat.positions(*crop)
    inside = (np.abs(x - bx) <= card.bars_size_mm[0] / 2 - 0.2) & (
        np.abs(y - by) <= card.bars_size_mm[1] / 2 - 1.0
    )
    inside = inside & flat.inside[crop]
    if glass is not None:
        gx, gy = glass.centre_mm
        inside &= np.hypot(x - gx, y - gy) <= glass.inner_mm - 1.0
    counts = inside.sum(axis=0)
    columns = counts >= 2 * flat.px_per_mm
    if columns.sum() < 3 * card.bars_period_mm * flat.px_per_mm:
        return None
    weights = np.array([0.299, 0.587, 0.114], np.float32)  # ITU-T T.871
    codes = np.arange(256)
    linear = np.interp(flat.codes[crop].astype(np.float32) @ weights, codes, table)
    ordered = np.sort(np.where(inside, linear, np.inf)[:, columns], axis=0)
    profile = np.take_along_axis(ordered, (counts[columns] // 2)[None], axis=0)[0]
    period = ((x[0, columns] - bx) // card.bars_period_mm).astype(int)
    whole = [
        k for k in np.unique(period) if (period == k).sum() >= 0.9 * card.bars_period_mm * flat.px_per_mm
    ]
    if len(whole) < 3:
        return None
    levels = np.array([np.percentile(profile[period == k], [15, 85]) for k in whole])
    paper_codes = [
        np.interp(v, flat.decode_table[c], codes) for c, v in enumerate(light.at(np.array([(bx, by)]))[0])
    ]
    paper = float(np.interp(float(weights @ paper_codes), codes, table))
    bright = float(np.median(levels[:, 1])) / max(paper, 1e-4)
    return Bars(bright, bright * float(np.median(levels[:, 0] / levels[:, 1])), flat.coarseness)
