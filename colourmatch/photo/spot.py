"""Reads one spot of a flat card: mean colour of the liquid with its covariance, clarity, glints; it knows no standards.

Values are linear light relative to bare paper at the same place, in the file's primaries.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from colourmatch.photo.clarity import Bars
from colourmatch.photo.colour_fields import FieldsReading, Patch, read_colour_fields
from colourmatch.photo.field import LightField
from colourmatch.photo.flat import FlatCard
from colourmatch.photo.glass import Glass, find_glass
from colourmatch.photo.opencv import cv2
from colourmatch.records import Array

Crop = tuple[slice, slice]

#: Distance kept from the wall, for the meniscus (pharmacopoeial viewing practice: 3 to 4 mm).
WALL_MARGIN_MM = 3.0
#: Kept off bars and fields, which a bottom may show larger than they are.
_PRINT_MARGIN_MM = 1.5
#: Kept off the edge of a window with fields around it, for what lens and file carry over.
_WINDOW_EDGE_MM = 0.8
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
    empty: NDArray[np.bool_]
    full: NDArray[np.bool_]
    fields: FieldsReading | None = None


def read_spot(flat: FlatCard, light: LightField, name: str) -> SpotReading:
    """Read one spot, "reference", "batch" or "blank", from the flat card and its light."""
    card = flat.card
    spot, middle = card.spots[name], card.window_centre_mm(name)
    crop = flat.crop(spot, card.ring_diameter_mm / 2 + 2.5)
    whole = _look(flat, light, crop)
    glass = find_glass(whole, spot, card.ring_diameter_mm / 2, flat.px_per_mm, card.fields_outer_mm)
    fields = None
    if card.fields:
        part = flat.crop(spot, card.fields_outer_mm + 4.0)
        x, y = flat.positions(*part)
        corner = float(x[0, 0]) - 0.5 / flat.px_per_mm, float(y[0, 0]) - 0.5 / flat.px_per_mm
        patch = Patch(np.ascontiguousarray(whole[_within(part, crop)]), corner, flat.px_per_mm)
        fields = read_colour_fields(patch, card, name, glass)
        # the window is seen shifted as the fields around it are
        middle = middle[0] + fields.shift_mm[0], middle[1] + fields.shift_mm[1]
    near = flat.crop(middle, card.window_radius_mm + 1.0 if glass is None else glass.inner_mm)
    inside, codes = flat.inside[near], flat.codes[near]
    window = _disc(flat, near, middle, card.window_radius_mm - (_WINDOW_EDGE_MM if card.fields else 0.0))
    usable = window & inside
    if glass is not None:
        usable &= _disc(flat, near, glass.centre_mm, glass.inner_mm - WALL_MARGIN_MM)
    share = float(usable.sum() / window.sum())
    if usable.sum() < 30:
        usable = window & inside
    seen = whole[_within(near, crop)]
    clean, glints, level = _reject_glints(seen, usable)
    if glass is not None:
        if _mirrors(level, _beside(flat, crop, whole, name, glass)):
            glints = 1.0
        # the more of the liquid, the less its noise and the light's own unevenness
        around = _bare_liquid(flat, near, name, (glass, middle)) & inside
        clean = _reject_glints(seen, usable | around)[0]
    rgb, cov = _block_mean(seen, clean, flat.px_per_mm)
    empty, full = _at_ends(codes[clean])
    present = glass is not None or bool(np.abs(np.log(np.maximum(rgb, 1e-4))).max() > _SAME_AS_PAPER_LOG)
    return SpotReading(
        name=name, present=present, rgb=rgb, rgb_cov=cov, bars=_read_bars(flat, light, name, glass), glass=glass,
        window_share=share, glint_share=glints, empty=empty, full=full, fields=fields,
    )  # fmt: skip


def _within(part: Crop, whole: Crop) -> Crop:
    """A crop of the card as a crop of a larger crop."""
    rows, cols = (slice(p.start - w.start, p.stop - w.start) for p, w in zip(part, whole, strict=True))
    return rows, cols


def _look(flat: FlatCard, light: LightField, crop: Crop, step_mm: float = 6.0) -> NDArray[np.float32]:
    """Light of a crop relative to the paper there, float32 (H, W, 3); 1 where the photo does not reach.

    The paper's is taken at the middles of an even division into cells of about 6 mm, and as cubic between them.
    """
    x, y = flat.positions(*crop)
    nx, ny = (int(np.ceil(np.ptp(a) / step_mm)) + 1 for a in (x, y))
    half = 0.5 / flat.px_per_mm
    gx = x.min() - half + (np.arange(nx) + 0.5) / nx * (np.ptp(x) + 2 * half)
    gy = y.min() - half + (np.arange(ny) + 0.5) / ny * (np.ptp(y) + 2 * half)
    nodes = light.at(np.stack(np.meshgrid(gx, gy), axis=-1).reshape(-1, 2)).reshape(ny, nx, 3)
    paper = cv2.resize(nodes.astype(np.float32), (x.size, y.size), interpolation=cv2.INTER_CUBIC)
    seen, inside = flat.decode(*crop) / paper, flat.inside[crop]
    seen[~inside] = 1.0
    return seen


def _disc(
    flat: FlatCard, crop: Crop, centre_mm: tuple[float, float], radius_mm: float, every: int = 1
) -> NDArray[np.bool_]:
    """Where a crop, or every so manieth pixel of it, lies within a distance of a point of the card."""
    x, y = flat.positions(*crop)
    dx, dy = np.float32(x[:, ::every] - centre_mm[0]), np.float32(y[::every] - centre_mm[1])
    return np.asarray((dx * dx + dy * dy <= radius_mm**2) & (radius_mm >= 0), bool)


def _bare_liquid(flat: FlatCard, crop: Crop, name: str, place: tuple[Glass, tuple[float, float]]) -> NDArray[np.bool_]:
    """Where the liquid stands over bare paper, away from the wall, the bars and the fields; place: glass, window's middle."""
    card, (glass, middle) = flat.card, place
    x, y = flat.positions(*crop)
    moved = np.subtract(middle, card.window_centre_mm(name))
    (bx, by), (width, height) = np.add(card.bars_centre_mm(name), moved), card.bars_size_mm
    bars = (np.abs(x - bx) < width / 2 + _PRINT_MARGIN_MM) & (np.abs(y - by) < height / 2 + _PRINT_MARGIN_MM)
    bare = _disc(flat, crop, glass.centre_mm, glass.inner_mm - WALL_MARGIN_MM - 1.0) & ~bars
    if card.fields:
        bare &= ~_disc(flat, crop, middle, card.fields_outer_mm + _PRINT_MARGIN_MM)
    return np.asarray(bare, bool)


def _beside(flat: FlatCard, crop: Crop, seen: NDArray[np.float32], name: str, glass: Glass) -> NDArray[np.float32]:
    """Every third pixel each way of the liquid outside the window, shape (N, 3)."""
    card = flat.card
    liquid = _disc(flat, crop, glass.centre_mm, glass.inner_mm - WALL_MARGIN_MM, 3)
    print_mm = max(card.window_radius_mm, card.fields_outer_mm + 2.0 if card.fields else 0.0)
    window = _disc(flat, crop, card.window_centre_mm(name), print_mm, 3)
    return seen[::3, ::3][liquid & ~window]


def _at_ends(codes: NDArray[np.uint8]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which channels of codes (N, 3) lie at the low end of the range, and which at the high end."""
    mean, crowd = codes.sum(axis=0) / max(len(codes), 1), END_SHARE * len(codes)
    at_low, at_high = (np.count_nonzero(codes == end, axis=0) > crowd for end in (0, 255))
    return (mean < LOW_CODE) | at_low, (mean > HIGH_CODE) | at_high


def _reject_glints(
    relative: NDArray[np.float32], usable: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], float, NDArray[np.float32]]:
    """Leave out pixels far from the window's median in any channel, with a rim around them.

    Gives what is left (H, W), the share left out, and the median (3,).
    """
    values = np.ascontiguousarray(relative[usable].T)
    half = values.shape[1] // 2
    middle = np.partition(values, half, axis=1)[:, half]
    spread = 1.4826 * np.partition(np.abs(values - middle[:, None]), half, axis=1)[:, half]
    limit = np.maximum(4.5 * spread, 0.02 * middle + 0.004)
    # the window is a small part of its glass: its own box, and what the steps below look at beside it
    box = tuple(slice(max(at[0] - 4, 0), at[-1] + 5) for at in (np.flatnonzero(usable.any(axis=k)) for k in (1, 0)))
    off = np.abs(relative[box] - middle) > limit
    odd = ((off[..., 0] | off[..., 1] | off[..., 2]) & usable[box]).astype(np.uint8)
    # single pixels are noise's own tail; glints, bubbles and their rims are connected
    odd = cv2.morphologyEx(odd, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    clean = usable.copy()
    clean[box] &= cv2.dilate(odd, np.ones((5, 5), np.uint8)) == 0
    share = 1 - float(clean.sum() / max(usable.sum(), 1))
    return (clean if clean.sum() >= 30 else usable), share, middle


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
    values = relative[rows, cols].astype(float)
    block = (rows // (4 * scale)) * (clean.shape[1] // (4 * scale) + 1) + cols // (4 * scale)
    counts = np.bincount(block)
    filled = counts > 0
    sums = np.stack([np.bincount(block, values[:, c]) for c in range(3)], axis=1)[filled]
    counts = counts[filled]
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
    inside = (np.abs(x - bx) <= card.bars_size_mm[0] / 2 - 0.2) & (np.abs(y - by) <= card.bars_size_mm[1] / 2 - 1.0)
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
    whole = [k for k in np.unique(period) if (period == k).sum() >= 0.9 * card.bars_period_mm * flat.px_per_mm]
    if len(whole) < 3:
        return None
    levels = np.array([np.percentile(profile[period == k], (15, 85)) for k in whole])
    paper_codes = [np.interp(v, flat.decode_table[c], codes) for c, v in enumerate(light.at(np.array([(bx, by)]))[0])]
    paper = float(np.interp(float(weights @ paper_codes), codes, table))
    bright = float(np.median(levels[:, 1])) / max(paper, 1e-4)
    return Bars(bright, bright * float(np.median(levels[:, 0] / levels[:, 1])), flat.coarseness)
