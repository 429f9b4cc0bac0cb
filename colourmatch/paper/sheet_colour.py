"""What the lot sheet shows of a lot's photos: its swatches, and its charts as vectors; it judges nothing. What a point
is, its shape and its number show, never its colour alone."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from reportlab.graphics.charts.axes import XValueAxis, YValueAxis
from reportlab.graphics.shapes import Circle, Drawing, Line, String
from reportlab.lib.colors import HexColor

from colourmatch.book.entries import LotStory, PhotoEntry, number_photos
from colourmatch.book.lot_book import LotBook
from colourmatch.facts import K_95
from colourmatch.paper.page import ACCENT, HAIRLINE, INK, MUTED, Fonts
from colourmatch.workflow.photo_colours import Seen, scale_covariance, see_photo
from colourmatch.workflow.references import Triple, as_triple, target_sd

Range = tuple[float, float]
_LEFT, _RIGHT, _BOTTOM, _TOP = 34.0, 10.0, 30.0, 18.0
_SIZE_PT = 7.0


def see_photos(story: LotStory) -> list[tuple[PhotoEntry, Seen]]:
    """The photos for the match that count and showed both liquids, with what was seen."""
    return [(photo, found) for photo in story.matched if (found := see_photo(photo)) is not None]


def choose_swatches(
    book: LotBook, story: LotStory, photos: Sequence[tuple[PhotoEntry, Seen]]
) -> Iterator[tuple[str, Triple, Triple | None]]:
    """Reference and batch on the first and last photo, each placed by its difference in its own photo.

    Of each its name, its Lab and the standard deviation of each part.
    """
    if not photos:
        if story.lot.target_lab is not None:
            yield "target colour", story.lot.target_lab, target_sd(book, story.lot)
        return
    latest, last = photos[-1]
    shown = latest.measurement.spots["reference"]
    sds = shown.lab_sd if shown and shown.lab_sd is not None else np.sqrt(np.diag(last.covariance))
    yield "reference", as_triple(last.reference_lab), as_triple(sds)
    names = ("batch, first photo", "batch, last photo") if len(photos) > 1 else ("batch, only photo",)
    for name, one in zip(names, (photos[0], photos[-1]), strict=False):
        yield name, as_triple(last.reference_lab + one[1].gap), as_triple(_gap_sd(*one))


def _gap_sd(photo: PhotoEntry, seen: Seen) -> Any:
    """Standard deviation of each part of a difference, shape (3,); in older records the phone's error of scale in it."""
    told = photo.measurement.uncertainty
    whole = seen.covariance + scale_covariance(seen.gap) if told is None else told.whole
    return np.sqrt(np.diag(whole))


# ---- charts ------------------------------------------------------------------------------------------------------


class Point(NamedTuple):
    """A photo by its number: value and both ends of its 95 % interval across and up; all the same without one."""

    number: int
    x: Sequence[float]
    y: Sequence[float]


class Chart:
    """A frame with ticks and titles on a drawing; `x` and `y` turn values into points.

    across, up: the values that an axis holds, and its other properties as reportlab names them.
    """

    def __init__(
        self, size: Range, across: tuple[Sequence[float], dict[str, Any]], up: tuple[Sequence[float], dict[str, Any]],
        fonts: Fonts,
    ) -> None:  # fmt: skip
        self.drawing, self.fonts = Drawing(*size), fonts
        self.left, self.bottom, self.right, self.top = _LEFT, _BOTTOM, size[0] - _RIGHT, size[1] - _TOP
        wide, high = self.right - self.left, self.top - self.bottom
        # the ticks reach over the chart as its grid
        grids = {"tickUp": high, "tickDown": 0}, {"tickRight": wide, "tickLeft": 0}
        axes = XValueAxis(), YValueAxis()
        for axis, (values, given), length, grid in zip(axes, (across, up), (wide, high), grids, strict=True):
            axis.setPosition(self.left, self.bottom, length)
            look = {"strokeColor": HexColor(MUTED), "strokeWidth": 0.7, "labelTextFormat": "%g"}
            look |= {"tickStrokeColor": HexColor(HAIRLINE), "tickStrokeWidth": 0.4}
            axis.setProperties({**look, **grid, **given})
            axis.labels.setProperties({"fontName": fonts.plain, "fontSize": _SIZE_PT, "fillColor": HexColor(MUTED)})
            axis.configure([[(value, value) for value in values]])
            self.drawing.add(axis)
        self.x, self.y = (axis.scale for axis in axes)

    def line(self, x1: float, y1: float, x2: float, y2: float, colour: str, width: float, dash: Any = None) -> None:  # fmt: skip
        """A straight line in points."""
        look = {"strokeColor": HexColor(colour), "strokeWidth": width, "strokeDashArray": dash}
        self.drawing.add(Line(x1, y1, x2, y2, **look))

    def write(self, text: str, x: float, y: float, anchor: str = "start", bold: bool = False) -> None:
        """Text at points."""
        font, colour = (self.fonts.bold, INK) if bold else (self.fonts.plain, MUTED)
        look = {"fontName": font, "fontSize": _SIZE_PT, "fillColor": HexColor(colour), "textAnchor": anchor}
        self.drawing.add(String(x, y, text, **look))

    def title(self, above: str, below: str, beside: str) -> None:
        """The chart's own title, and what runs across and up (`beside` stands at the top of the axis)."""
        self.write(above, self.left, self.top + 10, bold=True)
        self.write(below, (self.left + self.right) / 2, self.bottom - 22, "middle")
        self.write(beside, self.right, self.top + 10, "end")

    def path(self, points: Sequence[Point]) -> None:
        """Numbered points in order, with their intervals, joined by a thin line."""
        for one, other in pairwise(points):
            self.line(self.x(one.x[0]), self.y(one.y[0]), self.x(other.x[0]), self.y(other.y[0]), MUTED, 0.8)
        placed: list[Range] = []
        for point in points:
            (x, left, right), (y, low, high) = map(self.x, point.x), map(self.y, point.y)
            self._interval(x, low, x, high)
            self._interval(left, y, right, y)
            self.drawing.add(Circle(x, y, 2.3, fillColor=HexColor(INK), strokeColor=None))
            placed.append(self._free_place(x, y, placed))
            self.write(str(point.number), *placed[-1], bold=True)

    def _interval(self, x1: float, y1: float, x2: float, y2: float) -> None:
        """A bar with caps; of one without length nothing shows beside the point."""
        self.line(x1, y1, x2, y2, INK, 0.7)
        dx, dy = (2.0, 0.0) if x1 == x2 else (0.0, 2.0)
        for x, y in ((x1, y1), (x2, y2)):
            self.line(x - dx, y - dy, x + dx, y + dy, INK, 0.7)

    def _free_place(self, x: float, y: float, taken: Sequence[Range]) -> Range:
        """Where a number does not cover another one: beside the point, else on another side of it."""
        places = [(x + dx, y + dy) for dy in (3.5, -9, 11, -16) for dx in (4, -8)]
        free = (p for p in places if all(abs(p[0] - a) > 6 or abs(p[1] - b) > 7 for a, b in taken))
        return next(free, places[0])

    def cross(self, x: float, y: float, label: str, points: Sequence[Point]) -> None:
        """The reference: an upright cross, its name where the points leave room."""
        px, py = self.x(x), self.y(y)
        self.line(px - 6, py, px + 6, py, ACCENT, 1.6)
        self.line(px, py - 6, px, py + 6, ACCENT, 1.6)
        wide = 4.0 * len(label)
        places = [(px + dx, py + dy) for dx in (8, -8 - wide) for dy in (-9, 7)]
        places = [p for p in places if self.left < p[0] and p[0] + wide < self.right] or places[2:]

        def room(place: Range) -> float:
            """How far the nearest point is from the middle of the label."""
            x, y = place[0] + wide / 2, place[1] + 3
            ways = (math.hypot(self.x(p.x[0]) - x, 3 * (self.y(p.y[0]) - y)) for p in points)
            return min(ways, default=0.0)

        self.write(label, *max(places, key=room))


def draw_approach(story: LotStory, photos: Sequence[PhotoEntry], size: Range, fonts: Fonts) -> Drawing | None:
    """CIEDE2000 photo by photo against mg/l in the batch, with the tolerance; None where no photo tells it.

    Where nothing went in it stands against the photo's number, as is said.
    """
    amounts, numbers = [story.state(photo).total_mg_per_l() for photo in photos], number_photos(story)
    by_photo = len({round(amount, 3) for amount in amounts}) < 2
    points = []
    for photo, amount in zip(photos, amounts, strict=True):
        number, figure = numbers[photo.id], photo.measurement.delta_e_2000
        if figure is not None and figure.value is not None:
            x = float(number) if by_photo else amount
            points.append(Point(number, (x, x, x), (figure.value, figure.low, figure.high)))
    if not points:
        return None
    xs, tolerance, across = [point.x[0] for point in points], story.lot.tolerance, "photo"
    held: dict[str, Any] = {"valueMin": 0, "valueMax": max(xs) + 1, "valueStep": 1 + int(max(xs)) // 8}
    if not by_photo:
        xs, held = [min(xs), 1.03 * max(xs)], {"rangeRound": "both"}
        across = "colour in the batch by the label, mg/l"
    tops = [0.0, 1.5 * tolerance, *(end for point in points for end in point.y)]
    chart = Chart(size, (xs, held), (tops, {"rangeRound": "both"}), fonts)
    level = chart.y(tolerance)
    chart.line(chart.left, level, chart.right, level, ACCENT, 0.9, (3, 2))
    chart.write(f"tolerance {tolerance:g}", chart.left + 8, level + 3)
    chart.path(points)
    chart.title("Difference photo by photo", across, "CIEDE2000, 95 % interval")
    return chart.drawing


def draw_path(story: LotStory, photos: Sequence[tuple[PhotoEntry, Seen]], size: Range, fonts: Fonts) -> Drawing:
    """The way of the batch in a* and b*, one scale on both axes, the last reading of the reference as a cross.

    Each photo stands where its own difference from the reference puts it.
    """
    numbers, last = number_photos(story), photos[-1][1].reference_lab
    a_star, b_star = last[1:].tolist()
    points = []
    for photo, seen in photos:
        middle, half = (last + seen.gap)[1:], K_95 * _gap_sd(photo, seen)[1:]
        ends = np.stack([middle, middle - half, middle + half])
        points.append(Point(numbers[photo.id], *ends.T.tolist()))
    xs = [a_star, *(end for point in points for end in point.x)]
    ys = [b_star, *(end for point in points for end in point.y)]
    wide, high = size[0] - _LEFT - _RIGHT, size[1] - _BOTTOM - _TOP
    per_point = 1.18 * max((max(xs) - min(xs)) / wide, (max(ys) - min(ys)) / high, 4.0 / high)

    def span(values: Sequence[float], length: float) -> dict[str, Any]:
        middle, half = (min(values) + max(values)) / 2, per_point * length / 2
        return {"valueMin": middle - half, "valueMax": middle + half, "maximumTicks": 6}

    chart = Chart(size, (xs, span(xs, wide)), (ys, span(ys, high)), fonts)
    chart.path(points)
    chart.cross(a_star, b_star, "reference", points)
    chart.title("The way in a* and b*", "a* (green to red)", "b* up (blue to yellow)")
    return chart.drawing
