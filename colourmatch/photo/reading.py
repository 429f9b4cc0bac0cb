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
Crop = tuple[slice, slice]

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
    spot, middle = card.spots[name], card.window_centre_mm(name)
    crop = flat.crop(spot, card.ring_diameter_mm / 2 + 2.5)
    relative = _relative_light(flat, light, crop)
    glass = find_glass(relative, spot, card.ring_diameter_mm / 2, flat.px_per_mm)
    near = flat.crop(middle, card.window_radius_mm + 1.0)
    inside, codes = flat.inside[near], flat.codes[near]
    window = _disc(flat, near, middle, card.window_radius_mm)
    usable = window & inside
    if glass is not None:
        usable &= _disc(flat, near, glass.centre_mm, glass.inner_mm - WALL_MARGIN_MM)
    share = float(usable.sum() / window.sum())
    if usable.sum() < 30:
        usable = window & inside
    seen = relative[_within(near, crop)]
    clean, glints = _reject_glints(seen, usable)
    if glass is not None and _mirrors(
        np.median(seen[usable], axis=0), _beside(flat, crop, relative, name, glass)
    ):
        glints = 1.0
    rgb, cov = _block_mean(seen, clean, flat.px_per_mm)
    ends = codes[clean].astype(float)
    present = glass is not None or bool(np.abs(np.log(np.maximum(rgb, 1e-4))).max() > _SAME_AS_PAPER_LOG)
    return SpotReading(
        name=name, present=present, rgb=rgb, rgb_cov=cov, bars=_read_bars(flat, light, name, glass), glass=glass,
        window_share=share, glint_share=glints, empty=_at_end(ends, low=True), full=_at_end(ends, low=False),
    )  # fmt: skip


def _relative_light(flat: FlatCard, light: LightField, crop: Crop) -> NDArray[np.float32]:
    """Linear light of a crop relative to the paper there, float32 (H, W, 3); 1 where the photo does not reach."""
    relative = flat.decode(*crop)
    relative /= _light_on_grid(light, *flat.positions(*crop))
    inside = flat.inside[crop]
    if not inside.all():
        relative[~inside] = 1.0
    return relative


def _within(part: Crop, whole: Crop) -> Crop:
    """A crop of the card as a crop of a larger crop."""
    rows, cols = (slice(p.start - w.start, p.stop - w.start) for p, w in zip(part, whole, strict=True))
    return rows, cols


def _disc(flat: FlatCard, crop: Crop, centre_mm: tuple[float, float], radius_mm: float) -> NDArray[np.bool_]:
    """Where a crop lies within a distance of a point of the card."""
    x, y = flat.positions(*crop)
    away = np.float32((x - centre_mm[0]) ** 2) + np.float32((y - centre_mm[1]) ** 2)
    return np.asarray((away <= radius_mm**2) & (radius_mm >= 0), bool)


def _beside(
    flat: FlatCard, crop: Crop, relative: NDArray[np.float32], name: str, glass: Glass
) -> NDArray[np.float32]:
    """Every third pixel each way of the liquid outside the window, shape (N, 3)."""
    card = flat.card
    liquid = _disc(flat, crop, glass.centre_mm, glass.inner_mm - WALL_MARGIN_MM)[::3, ::3]
    window = _disc(flat, crop, card.window_centre_mm(name), card.window_radius_mm)[::3, ::3]
    return relative[::3, ::3][liquid & ~window]


def _light_on_grid(light: LightField, x: Array, y: Array, step_mm: float = 6.0) -> NDArray[np.float32]:
    """The light on a crop, predicted every few millimetres and interpolated: it is smooth on that scale."""
    height, width = y.shape[0], x.shape[1]
    nx, ny = (int(np.ceil((a.max() - a.min()) / step_mm)) + 1 for a in (x, y))
    # cell centres of an nx by ny division of the crop, so that an area-true enlargement is exact
    gx = x.min() + (np.arange(nx) + 0.5) / nx * (x.max() - x.min())
    gy = y.min() + (np.arange(ny) + 0.5) / ny * (y.max() - y.min())
    points = np.stack(np.meshgrid(gx, gy), axis=-1).reshape(-1, 2)
    coarse = light.at(points).reshape(ny, nx, 3).astype(np.float32)
    return np.asarray(cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC), np.float32)


def _at_end(codes: Array, *, low: bool) -> tuple[bool, bool, bool]:
    if low:
        hit = (codes.mean(axis=0) < LOW_CODE) | ((codes <= 0).mean(axis=0) > END_SHARE)
    else:
        hit = (codes.mean(axis=0) > HIGH_CODE) | ((codes >= 255).mean(axis=0) > END_SHARE)
    return bool(hit[0]), bool(hit[1]), bool(hit[2])


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


def _mirrors(seen: NDArray[np.float32], beside: NDArray[np.float32]) -> bool:
    """Whether the window's median, shape (3,), is clearly above the same liquid beside it: a reflection over it all.

    The darker half of the liquid outside the window is compared, so that a reflection reaching out of it still shows.
    """
    if len(beside) < 12:
        return False
    return bool((seen > 1.3 * np.percentile(beside, 40, axis=0) + 0.02).all())


def _block_mean(relative: NDArray[np.float32], clean: NDArray[np.bool_], scale: int) -> tuple[Array, Array]:
    """Mean of the window and its covariance from the scatter of 4 mm blocks, which includes correlated noise."""
    rows, cols = np.nonzero(clean)
    block = (rows // (4 * scale)) * 1000 + cols // (4 * scale)
    values = relative[rows, cols].astype(float)
    _, index, counts = np.unique(block, return_inverse=True, return_counts=True)
    sums = np.stack([np.bincount(index, values[:, c]) for c in range(3)], axis=1)
    big = counts >= 0.3 * counts.max()
    means, weights = (sums / counts[:, None])[big], counts[big] / counts[big].sum()
    mean = values.mean(axis=0)
    off = means - weights @ means
    effective = 1 / (weights**2).sum()
    cov = (off * weights[:, None]).T @ off / max(effective - 1, 1.0)
    # rounding to 8-bit codes leaves part of a code in common on a smooth window; noise and many JPEG blocks average most of it
    floor = (0.15 / 255 * 2.2 * np.maximum(mean, 0.02)) ** 2
    return mean, cov + np.diag(floor)


def _read_bars(flat: FlatCard, light: LightField, name: str, glass: Glass | None) -> Bars | None:
    """Bright and dark level of the bars through the liquid; None when under three periods lie inside the glass.

    Each period gives the 85th and 15th percentile of its columns' medians, so the bars' exact phase and a refracted
    shift do not matter; the median period counts, so a reflection over some bars does not. They are taken from luma,
    which a JPEG keeps at full resolution while it halves the colours'.
    """
    card, table = flat.card, flat.decode_table[1]
    bx, by = card.bars_centre_mm(name)
    crop = flat.crop((bx, by), max(card.bars_size_mm) / 2)
    x, y = flat.positions(*crop)
    inside = (np.abs(x - bx) <= card.bars_size_mm[0] / 2 - 0.2) & (
        np.abs(y - by) <= card.bars_size_mm[1] / 2 - 1.0
    )
    inside = inside & flat.inside[crop]
    if glass is not None:
        inside &= _disc(flat, crop, glass.centre_mm, glass.inner_mm - 1.0)
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
