"""Reads the colour fields of one spot: where they are seen, and the mean of each; it knows no inks and no colours.

A glass bottom and 10 mm of liquid seen aslant shift what lies under them by a millimetre or two, and a thick bottom
makes it a little larger or smaller: the pattern is found in the picture, near its place on the card.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from colourmatch.photo.card import Card, read_card
from colourmatch.photo.glass import Glass
from colourmatch.records import Array

#: Kept off each edge of a field: lens, sharpening and a JPEG's coarse colour reach that far (at 3 pixels per mm).
EDGE_MM = 1.4
#: How far the pattern is looked for, its steps, and the sizes that are tried.
_REACH_MM, _STEPS_MM, _SIZES = 2.4, (0.6, 0.2), (0.95, 1.0, 1.05)
#: Kept off the inner wall, two capillary lengths of water (2.7 mm; from memory): the meniscus bends what is seen there.
_WALL_MM = 5.0
#: Share of a field's points that must lie within the glass.
_LEAST_SHARE = 0.25
#: Noise of one field beside its own scatter: what neighbouring fields and the paper's own unevenness leave (part of the
#: value), and a floor (part of white).
_FIELD_SD, _FLOOR = 0.008, 0.0015


@dataclass(frozen=True)
class FieldsReading:
    """Fields of one spot, by names: values (6, 3) in linear light relative to paper, sd (6, 3), which were seen (6,), and the shift.

    shift_mm, size: where the pattern was seen beside its place on the card.
    """

    names: tuple[str, ...]
    values: Array
    sd: Array
    seen: NDArray[np.bool_]
    shift_mm: tuple[float, float]
    size: float

    def corrected(self, correct: Callable[[Array], Array], veil: float, to_p3: Array) -> FieldsReading:
        """The same without a veil, tones corrected (N, 3), in other primaries; deviations grow by the slope along grey."""

        def turn(values: Array) -> Array:
            return np.asarray(correct(np.maximum(values - veil, 0.0)) @ to_p3.T)

        step = turn(self.values + self.sd) - turn(self.values - self.sd)
        return replace(self, values=turn(self.values), sd=np.maximum(np.abs(step) / 2, _FLOOR))


@cache
def _points(card_version: int, edge_mm: float) -> Array:
    """Points of each field, millimetres from the spot's middle, (6, N, 2), evenly over its area."""
    card = read_card(card_version)
    inner, outer = card.fields_inner_mm + edge_mm, card.fields_outer_mm - edge_mm
    count = 140
    k = np.arange(count) + 0.5
    # even in area along the radius, golden steps along the angle
    radius = np.sqrt(inner**2 + (outer**2 - inner**2) * k / count)
    along = (k * 0.6180339887498949) % 1.0
    margin = (card.fields_gap_mm / 2 + edge_mm) / radius
    out = []
    for field in card.fields:
        start, stop = np.radians([field.from_deg, field.to_deg])
        angle = start + margin + along * (stop - start - 2 * margin)
        out.append(np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1))
    return np.array(out)


class Patch:
    """A crop of the flat card relative to paper, that can be looked at point by point in card millimetres."""

    def __init__(self, relative: NDArray[np.float32], corner_mm: tuple[float, float], px_per_mm: int) -> None:
        self.relative, self.corner_mm, self.px_per_mm = relative, corner_mm, px_per_mm

    def at(self, points_mm: Array) -> NDArray[np.float32]:
        """The nearest pixels to points (..., 2), shape (..., 3)."""
        place = np.floor((points_mm - np.array(self.corner_mm)) * self.px_per_mm).astype(np.intp)
        height, width = self.relative.shape[:2]
        x, y = np.clip(place[..., 0], 0, width - 1), np.clip(place[..., 1], 0, height - 1)
        return self.relative[y, x]


def find_pattern(patch: Patch, card: Card, spot: str) -> tuple[tuple[float, float], float]:
    """Where the pattern is seen beside its place (mm), and how large: each field and the gaps' paper most of one colour."""
    middle = np.array(card.spots[spot])
    points = _points(card.version, 0.3)

    def disorder(shifts: Array, size: float) -> Array:
        """Mean deviation of the fields' points from their field's median, logarithms, for shifts (S, 2)."""
        where = middle + size * points[None, :, ::2] + shifts[:, None, None]
        logs = np.log(np.maximum(patch.at(where), np.float32(0.01)))
        away = np.abs(logs - np.median(logs, axis=2, keepdims=True))
        return np.asarray(np.minimum(away, 0.3).mean(axis=(1, 2, 3)), float)

    def search(about: Array, reach: float, step: float, sizes: tuple[float, ...]) -> tuple[Array, float]:
        count = round(reach / step)
        grid = step * np.arange(-count, count + 1)
        shifts = about + np.stack(np.meshgrid(grid, grid), axis=-1).reshape(-1, 2)
        # of shifts and sizes that are as good, the smaller
        found = [
            disorder(shifts, one) * (1 + 0.002 * (np.linalg.norm(shifts, axis=1) + 20 * abs(one - 1))) for one in sizes
        ]
        best = min(range(len(sizes)), key=lambda k: float(found[k].min()))
        return shifts[found[best].argmin()], sizes[best]

    rough, _ = search(np.zeros(2), _REACH_MM, _STEPS_MM[0], (1.0,))
    shift, size = search(rough, _STEPS_MM[0], _STEPS_MM[1], _SIZES)
    return (float(shift[0]), float(shift[1])), size


def _leave_out_light(look: Array) -> Array:
    """Points (N, 3) of a field without reflections, which only ever brighten: the darker half says what is usual."""
    level = look.sum(axis=1)
    kept = look[level <= np.median(level)]
    for _ in range(3):
        middle = np.median(kept, axis=0)
        spread = 1.4826 * np.median(np.abs(kept - middle), axis=0)
        near = (np.abs(look - middle) <= np.maximum(4 * spread, 0.03 * middle + 0.004)).all(axis=1)
        if near.sum() < 10:
            break
        kept = look[near]
    return kept


def read_colour_fields(patch: Patch, card: Card, spot: str, glass: Glass | None) -> FieldsReading:
    """The fields of a spot of card 2, from what is seen of it relative to paper."""
    shift, size = find_pattern(patch, card, spot)
    where = np.array(card.spots[spot]) + np.array(shift) + size * _points(card.version, EDGE_MM)
    values, sds, seen = [], [], []
    for points in where:
        inside = np.ones(len(points), bool)
        if glass is not None:
            away = np.linalg.norm(points - np.array(glass.centre_mm), axis=1)
            inside = away <= glass.inner_mm - _WALL_MM
        look = patch.at(points[inside] if inside.mean() >= _LEAST_SHARE else points).astype(float)
        kept = _leave_out_light(look)
        mean = kept.mean(axis=0)
        # points of one field share noise blotches: a tenth of them count as independent
        own = kept.std(axis=0) / np.sqrt(max(len(kept) / 10, 1))
        values.append(mean)
        sds.append(np.sqrt(own**2 + (_FIELD_SD * mean) ** 2 + _FLOOR**2))
        seen.append(inside.mean() >= _LEAST_SHARE)
    names = tuple(field.name for field in card.fields)
    return FieldsReading(names, np.array(values), np.array(sds), np.array(seen), shift, size)
