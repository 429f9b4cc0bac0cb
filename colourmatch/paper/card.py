"""The card as a PDF to print; it draws as vectors what the card's file names, and leaves the rest of the block bare,
which the reader takes as white: words stand in the margins. Grey is DeviceGray, sRGB-encoded, so that a colour
printer uses its black; the fields of card 2 are DeviceRGB (ISO 32000-1:2008, 8.6.4)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any, BinaryIO

from reportlab.pdfbase.pdfmetrics import stringWidth

from colourmatch.colour.spaces import encode_srgb
from colourmatch.files import write_out
from colourmatch.paper.page import MM, draw_pdf, page_size
from colourmatch.photo.card import Card, marker_bits, read_card

CHECK_LINE_MM = 100.0
LABELS = {"reference": "reference", "batch": "batch", "blank": "blank (water)"}
_PHOTO_LINES = (
    "Photograph: daylight or one good lamp, no flash, no shadow over the glasses, phone straight above, "
    "whole card in the frame.",
    "Three equal glasses inside the rings, bars showing, all filled equally, about 10 mm deep: "
    "reference, batch, and plain water in the third.",
)
_FIELDS_LINE = "For a colour printer: the fields are filters; what they look like is found out."
_PRINT_LINES = (
    'Print at 100 % ("actual size", not "fit to page") on matt white paper.',
    "Check the line with a ruler: it must be 100 mm long. Keep the card flat and clean.",
)
_RING_LINE_MM = 0.4
_RING_REFLECTANCE = 0.35


class _Sheet:
    """A canvas in card millimetres: origin at the block's top-left corner, y down."""

    def __init__(self, canvas: Any, page_mm: tuple[float, float], card: Card) -> None:
        self.canvas = canvas
        self.left = (page_mm[0] - card.block_mm[0]) / 2
        self.top = (page_mm[1] - card.block_mm[1]) / 2
        self.height = page_mm[1]

    def to_points(self, x: float, y: float) -> tuple[float, float]:
        return (self.left + x) * MM, (self.height - self.top - y) * MM

    def fill(self, rectangles: Iterable[Sequence[float]], reflectance: float) -> None:
        """Rectangles (x, y, width, height) as one path, so that no hairline shows where two touch."""
        self.canvas.setFillGray(float(encode_srgb(reflectance)))
        path = self.canvas.beginPath()
        for x, y, width, height in rectangles:
            left, bottom = self.to_points(x, y + height)
            path.rect(left, bottom, width * MM, height * MM)
        self.canvas.drawPath(path, stroke=0, fill=1)

    def fill_outline(self, outline_mm: Iterable[Sequence[float]]) -> None:
        """A closed outline of points, shape (N, 2), in the colour that is set."""
        path = self.canvas.beginPath()
        for k, point in enumerate(outline_mm):
            (path.lineTo if k else path.moveTo)(*self.to_points(*point))
        path.close()
        self.canvas.drawPath(path, stroke=0, fill=1)

    def line(self, x1: float, y1: float, x2: float, y2: float) -> None:
        self.canvas.line(*self.to_points(x1, y1), *self.to_points(x2, y2))

    def write(self, text: str, x: float, y: float, size_pt: float = 8.0, bold: bool = False) -> None:
        """Text whose baseline starts at x, y."""
        self.canvas.setFillGray(0.0)
        self.canvas.setFont("Helvetica-Bold" if bold else "Helvetica", size_pt)
        self.canvas.drawString(*self.to_points(x, y), text)


def write_card_pdf(paper: str, out: str | Path | BinaryIO, version: int = 1) -> None:
    """Write the card for "a4" or "letter" paper, landscape, to a path or an open binary file.

    InputError for another paper, or a place that cannot be written.
    """
    height, width = page_size(paper)  # landscape
    card = read_card(version)

    def draw(canvas: Any) -> None:
        sheet = _Sheet(canvas, (width / MM, height / MM), card)
        for marker_id in card.marker_centres_mm:
            bits = marker_bits(marker_id)
            (x, y), cell = card.marker_corners_mm(marker_id)[0], card.marker_size_mm / len(bits)
            black = []
            for row, cells in enumerate(bits):
                column = 0
                for is_black, run in groupby(cells):
                    length = len(list(run))
                    if is_black:
                        black.append((x + column * cell, y + row * cell, length * cell, cell))
                    column += length
            sheet.fill(black, 0.0)
        for step in card.greys:
            (x, y), edge = step.centre_mm, card.grey_size_mm
            sheet.fill([(x - edge / 2, y - edge / 2, edge, edge)], step.reflectance)
        for spot, centre in card.spots.items():
            canvas.setStrokeGray(float(encode_srgb(_RING_REFLECTANCE)))
            canvas.setLineWidth(_RING_LINE_MM * MM)
            canvas.circle(*sheet.to_points(*centre), card.ring_diameter_mm / 2 * MM, stroke=1, fill=0)
            sheet.fill(card.black_bars_mm(spot), 0.0)
            for field in card.fields:
                canvas.setFillColorRGB(*(part / 255 for part in field.rgb))
                sheet.fill_outline(card.field_outline_mm(spot, field.name))
        _draw_margins(sheet, card)

    write_out(draw_pdf((width, height), f"Colour card, version {card.version}", draw), out, "card")


def _draw_margins(sheet: _Sheet, card: Card) -> None:
    """Words and the check line, in the page margins above and below the block, 6 mm or more from the edge."""
    width, height = card.block_mm
    for line, text in enumerate(_PHOTO_LINES):
        sheet.write(text, 4, -8.8 + 3.0 * line, 7.5)
    for spot, (x, _) in card.spots.items():
        label = LABELS[spot]
        half_mm = stringWidth(label, "Helvetica-Bold", 9) / MM / 2
        sheet.write(label, x - half_mm, -1.3, 9, bold=True)
        for arrow in (x - half_mm - 2.5, x + half_mm + 2.5):  # down at the column of the spot
            sheet.fill_outline([(arrow - 1, -3.2), (arrow + 1, -3.2), (arrow, -1.4)])
    sheet.write(f"Card version {card.version}", 4, height + 3.2, 7.5, bold=True)
    if card.fields:
        sheet.write(_FIELDS_LINE, 30, height + 3.2, 7.5)
    for line, text in enumerate(_PRINT_LINES):
        sheet.write(text, 4, height + 6.2 + 3.2 * line, 7.5)
    left, y = width - 4 - CHECK_LINE_MM, height + 7.5
    sheet.canvas.setStrokeGray(0.0)
    sheet.canvas.setLineWidth(0.25 * MM)
    sheet.line(left, y, left + CHECK_LINE_MM, y)
    for x in (left, left + CHECK_LINE_MM):
        sheet.line(x, y - 1.5, x, y + 1.5)
    sheet.write("100 mm", left + CHECK_LINE_MM / 2 - 5, y - 1.2, 7.5)
