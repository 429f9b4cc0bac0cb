"""The card as a PDF to print; it draws as vectors what the card's file names, and leaves the rest of the block bare,
which the reader takes as white: words stand in the margins. Grey is DeviceGray, sRGB-encoded, so that a colour
printer uses its black; the fields of card 2 are DeviceRGB (ISO 32000-1:2008, 8.6.4)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
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
_BOLD = "Helvetica-Bold"


def _fill(canvas: Any, rectangles: Iterable[Sequence[float]], reflectance: float) -> None:
    """Rectangles (x, y, width, height) as one path, so that no hairline shows where two touch."""
    canvas.setFillGray(float(encode_srgb(reflectance)))
    path = canvas.beginPath()
    for rectangle in rectangles:
        path.rect(*rectangle)
    canvas.drawPath(path, stroke=0, fill=1)


def _fill_outline(canvas: Any, outline_mm: Iterable[Sequence[float]]) -> None:
    """A closed outline of points, shape (N, 2), in the colour that is set."""
    path = canvas.beginPath()
    for k, point in enumerate(outline_mm):
        (path.lineTo if k else path.moveTo)(*point)
    path.close()
    canvas.drawPath(path, stroke=0, fill=1)


def _write(canvas: Any, text: str, x: float, y: float, size_pt: float = 7.5, font: str = "Helvetica") -> None:
    """Black text whose baseline starts at x, y, upright although y runs down."""
    canvas.saveState()
    canvas.translate(x, y)
    canvas.scale(1 / MM, -1 / MM)
    canvas.setFillGray(0.0)
    canvas.setFont(font, size_pt)
    canvas.drawString(0, 0, text)
    canvas.restoreState()


def write_card_pdf(paper: str, out: str | Path | BinaryIO, version: int = 1) -> None:
    """Write the card for "a4" or "letter" paper, landscape, to a path or an open binary file.

    InputError for another paper, or a place that cannot be written.
    """
    height, width = page_size(paper)  # landscape
    card = read_card(version)

    def draw(canvas: Any) -> None:
        # from here on in millimetres of the card: the origin at the block's top left corner, y down
        canvas.translate((width - MM * card.block_mm[0]) / 2, (height + MM * card.block_mm[1]) / 2)
        canvas.scale(MM, -MM)
        for marker_id in card.marker_centres_mm:
            bits = marker_bits(marker_id)
            (x, y), cell = card.marker_corners_mm(marker_id)[0], card.marker_size_mm / len(bits)
            black = [(x + k * cell, y + row * cell, cell, cell) for row, k in np.argwhere(bits).tolist()]
            _fill(canvas, black, 0.0)
        for step in card.greys:
            (x, y), edge = step.centre_mm, card.grey_size_mm
            _fill(canvas, [(x - edge / 2, y - edge / 2, edge, edge)], step.reflectance)
        for spot, centre in card.spots.items():
            canvas.setStrokeGray(float(encode_srgb(_RING_REFLECTANCE)))
            canvas.setLineWidth(_RING_LINE_MM)
            canvas.circle(*centre, card.ring_diameter_mm / 2, stroke=1, fill=0)
            _fill(canvas, card.black_bars_mm(spot), 0.0)
            for field in card.fields:
                canvas.setFillColorRGB(*(part / 255 for part in field.rgb))
                _fill_outline(canvas, card.field_outline_mm(spot, field.name))
        _draw_margins(canvas, card)

    write_out(draw_pdf((width, height), f"Card, version {card.version}", draw), out, "card")


def _draw_margins(canvas: Any, card: Card) -> None:
    """Words and the check line, in the page margins above and below the block, 6 mm or more from the edge."""
    width, height = card.block_mm
    for line, text in enumerate(_PHOTO_LINES):
        _write(canvas, text, 4, -8.8 + 3.0 * line)
    for spot, (x, _) in card.spots.items():
        label = LABELS[spot]
        half_mm = stringWidth(label, _BOLD, 9) / MM / 2
        _write(canvas, label, x - half_mm, -1.3, 9, _BOLD)
        for arrow in (x - half_mm - 2.5, x + half_mm + 2.5):  # down at the column of the spot
            _fill_outline(canvas, [(arrow - 1, -3.2), (arrow + 1, -3.2), (arrow, -1.4)])
    _write(canvas, f"Card version {card.version}", 4, height + 3.2, font=_BOLD)
    if card.fields:
        _write(canvas, _FIELDS_LINE, 30, height + 3.2)
    for line, text in enumerate(_PRINT_LINES):
        _write(canvas, text, 4, height + 6.2 + 3.2 * line)
    left, y = width - 4 - CHECK_LINE_MM, height + 7.5
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(0.25)
    canvas.line(left, y, left + CHECK_LINE_MM, y)
    for x in (left, left + CHECK_LINE_MM):
        canvas.line(x, y - 1.5, x, y + 1.5)
    _write(canvas, "100 mm", left + CHECK_LINE_MM / 2 - 5, y - 1.2)
