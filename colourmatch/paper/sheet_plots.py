"""The charts and swatches of the lot sheet, drawn as vectors; it knows points and names, no book. What a point is,
its shape and its number show, never its colour alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from reportlab.graphics.shapes import Circle, Drawing, Line, String
from reportlab.lib.colors import HexColor

from colourmatch.paper.page import ACCENT, HAIRLINE, INK, MUTED, Fonts

Range = tuple[float, float]
_LEFT, _RIGHT, _BOTTOM, _TOP = 34.0, 10.0, 30.0, 18.0
_SIZE_PT = 7.0


@dataclass(frozen=True)
class Point:
    """A numbered point with its 95 % intervals across and up (None: not drawn)."""

    x: float
    y: float
    label: str
    x_interval: Range | None = None
    y_interval: Range | None = None


@dataclass(frozen=True)
class Scale:
    """What an axis spans, and where its ticks stand."""

    low: float
    high: float
    ticks: tuple[float, ...]

    @classmethod
    def around(cls, values: Sequence[float], span: float) -> Scale:
        """The given span around the middle of the values, with round ticks inside."""
        middle = (min(values) + max(values)) / 2
        low, high = middle - span / 2, middle + span / 2
        return cls(low, high, tuple(v for v in nice_ticks(low, high, 5) if low <= v <= high))


def nice_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round values from at or below `low` to at or above `high`, at most about `most` of them."""
    if not high > low:
        low, high = low - 0.5, high + 0.5
    raw = (high - low) / max(most - 1, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * k for k in (1, 2, 2.5, 5, 10) if power * k >= raw * 0.999)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(k * step, 10) for k in range(first, last + 1)]


def _span(ticks: Sequence[float]) -> Scale:
    return Scale(ticks[0], ticks[-1], tuple(ticks))


class Axes:
    """A frame with ticks and titles on a drawing; `x` and `y` turn values into points."""

    def __init__(self, size: Range, across: Scale, up: Scale, fonts: Fonts) -> None:
        self.drawing = Drawing(*size)
        self.fonts = fonts
        self.across, self.up = across, up
        self.box = (_LEFT, _BOTTOM, size[0] - _RIGHT, size[1] - _TOP)
        left, bottom, right, top = self.box
        for value in across.ticks:
            self.line(self.x(value), bottom, self.x(value), top, HAIRLINE, 0.4)
            self.write(f"{value:g}", self.x(value), bottom - 9, "middle")
        for value in up.ticks:
            self.line(left, self.y(value), right, self.y(value), HAIRLINE, 0.4)
            self.write(f"{value:g}", left - 3, self.y(value) - 2.4, "end")
        self.line(left, bottom, right, bottom, MUTED, 0.7)
        self.line(left, bottom, left, top, MUTED, 0.7)

    def x(self, value: float) -> float:
        """Points across for a value."""
        share = (value - self.across.low) / (self.across.high - self.across.low)
        return self.box[0] + share * (self.box[2] - self.box[0])

    def y(self, value: float) -> float:
        """Points up for a value, kept inside the frame."""
        share = min(max((value - self.up.low) / (self.up.high - self.up.low), 0.0), 1.0)
        return self.box[1] + share * (self.box[3] - self.box[1])

    def line(self, x1: float, y1: float, x2: float, y2: float, colour: str, width: float, dash: Any = None) -> None:  # fmt: skip
        """A straight line in points."""
        self.drawing.add(
            Line(x1, y1, x2, y2, strokeColor=HexColor(colour), strokeWidth=width, strokeDashArray=dash)
        )

    def write(self, text: str, x: float, y: float, anchor: str = "start", bold: bool = False) -> None:
        """Text at points."""
        font, colour = (self.fonts.bold, INK) if bold else (self.fonts.plain, MUTED)
        look = {"fontName": font, "fontSize": _SIZE_PT, "fillColor": HexColor(colour), "textAnchor": anchor}
        self.drawing.add(String(x, y, text, **look))

    def title(self, above: str, below: str, beside: str) -> None:
        """The chart's own title, and what runs across and up (`beside` stands at the top of the axis)."""
        left, bottom, right, top = self.box
        self.write(above, left, top + 10, bold=True)
        self.write(below, (left + right) / 2, bottom - 22, "middle")
        self.write(beside, right, top + 10, "end")

    def path(self, points: Sequence[Point]) -> None:
        """Numbered points in order, with their intervals, joined by a thin line."""
        for one, other in pairwise(points):
            self.line(self.x(one.x), self.y(one.y), self.x(other.x), self.y(other.y), MUTED, 0.8)
        placed: list[Range] = []
        for point in points:
            x, y = self.x(point.x), self.y(point.y)
            if point.y_interval:
                self._interval(x, self.y(point.y_interval[0]), x, self.y(point.y_interval[1]))
            if point.x_interval:
                self._interval(self.x(point.x_interval[0]), y, self.x(point.x_interval[1]), y)
            self.drawing.add(Circle(x, y, 2.3, fillColor=HexColor(INK), strokeColor=None))
            place = self._free_place(x, y, placed)
            placed.append(place)
            self.write(point.label, *place, bold=True)

    def _free_place(self, x: float, y: float, taken: Sequence[Range]) -> Range:
        """Where a number does not cover another one: beside the point, else on another side of it."""
        sides = [(4, 3.5), (-8, 3.5), (4, -9), (-8, -9), (4, 11), (-8, 11), (4, -16), (-8, -16)]
        for dx, dy in sides:
            place = (x + dx, y + dy)
            if all(abs(place[0] - a) > 6 or abs(place[1] - b) > 7 for a, b in taken):
                return place
        return x + 4, y + 3.5

    def _interval(self, x1: float, y1: float, x2: float, y2: float) -> None:
        self.line(x1, y1, x2, y2, INK, 0.7)
        dx, dy = (2.0, 0.0) if x1 == x2 else (0.0, 2.0)
        for x, y in ((x1, y1), (x2, y2)):
            self.line(x - dx, y - dy, x + dx, y + dy, INK, 0.7)

    def cross(self, x: float, y: float, label: str, points: Sequence[Point]) -> None:
        """The reference: an upright cross, its name where the points leave room."""
        px, py = self.x(x), self.y(y)
        self.line(px - 6, py, px + 6, py, ACCENT, 1.6)
        self.line(px, py - 6, px, py + 6, ACCENT, 1.6)
        wide = 4.0 * len(label)
        places = [(px + 8, py - 9), (px + 8, py + 7), (px - 8 - wide, py - 9), (px - 8 - wide, py + 7)]
        places = [p for p in places if self.box[0] < p[0] and p[0] + wide < self.box[2]] or places[2:]

        def room(place: Range) -> float:
            """How far the nearest point is from the middle of the label."""
            x, y = place[0] + wide / 2, place[1] + 3
            return min((math.hypot(self.x(p.x) - x, 3 * (self.y(p.y) - y)) for p in points), default=0.0)

        self.write(label, *max(places, key=room))


def draw_approach(
    points: Sequence[Point], tolerance: float, size: Range, fonts: Fonts, *, by_photo: bool
) -> Drawing:
    """CIEDE2000 against mg of colour in a litre, or against the photo's number, with the tolerance."""
    tops = [point.y_interval[1] if point.y_interval else point.y for point in points]
    xs = [point.x for point in points]
    if by_photo:
        x_ticks = [float(k) for k in range(int(max(xs)) + 2)]
        x_ticks = x_ticks[:: max(1, len(x_ticks) // 8)]
        x_ticks = x_ticks if x_ticks[-1] >= max(xs) else [*x_ticks, x_ticks[-1] + x_ticks[1]]
    else:
        x_ticks = nice_ticks(min(xs), max(xs) * 1.03)
    up = _span(nice_ticks(0.0, max(*tops, tolerance * 1.5)))
    axes = Axes(size, _span(x_ticks), up, fonts)
    (left, _, right, _), level = axes.box, axes.y(tolerance)
    axes.line(left, level, right, level, ACCENT, 0.9, (3, 2))
    axes.write(f"tolerance {tolerance:g}", left + 8, level + 3)
    axes.path(points)
    across = "photo" if by_photo else "colour in the batch by the label, mg/l"
    axes.title("Difference photo by photo", across, "CIEDE2000, 95 % interval")
    return axes.drawing


def draw_path(points: Sequence[Point], reference: Range, size: Range, fonts: Fonts) -> Drawing:
    """The way of the batch in a* and b*, one scale on both axes, the reference as a cross."""
    xs = [reference[0], *(v for p in points for v in (p.x, *(p.x_interval or ())))]
    ys = [reference[1], *(v for p in points for v in (p.y, *(p.y_interval or ())))]
    wide, high = size[0] - _LEFT - _RIGHT, size[1] - _BOTTOM - _TOP
    per_point = max((max(xs) - min(xs)) / wide, (max(ys) - min(ys)) / high, 4.0 / high) * 1.18
    axes = Axes(size, Scale.around(xs, per_point * wide), Scale.around(ys, per_point * high), fonts)
    axes.path(points)
    axes.cross(*reference, "reference", points)
    axes.title("The way in a* and b*", "a* (green to red)", "b* up (blue to yellow)")
    return axes.drawing
