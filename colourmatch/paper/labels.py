"""Small labels of a lot to cut out, with a QR code of its number alone. What a label must say by law besides
(ingredients, volume, best before, who made it) it refuses to know: it is a part of that label, not the whole."""

from __future__ import annotations

from datetime import tzinfo
from pathlib import Path
from typing import Any, BinaryIO

from reportlab.graphics import renderPDF
from reportlab.graphics.barcode.qr import QrCodeWidget
from reportlab.graphics.shapes import Drawing
from reportlab.lib.colors import HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import Paragraph

from colourmatch.book.lot_book import LotBook
from colourmatch.errors import InputError
from colourmatch.files import write_out
from colourmatch.paper.page import HAIRLINE, INK, MM, Fonts, choose_fonts, draw_pdf, page_size
from colourmatch.workflow.label_lines import LabelLines, read_label_lines

_MARGIN_MM, _PAD_MM = 10.0, 4.0
_COLUMNS = 2
#: Labels down the page, most first: a label with much to say takes a larger place.
_ROWS = (6, 5, 4, 3, 2, 1)
#: Text sizes in points, largest first. The least keeps small letters at 1.2 mm, which Regulation (EU) No
#: 1169/2011, Article 13 asks for (from memory): Helvetica's are 0.52 of its size.
_SIZES_PT = (8.5, 8.0, 7.5, 7.0, 6.6)
_NAME_FACTOR, _LEADING = 1.35, 1.2
#: Edge of the QR code with its quiet zone, for numbers up to 20 bytes and for longer ones: a module is then
#: 0.5 mm or more up to 120 bytes, which phones read from a hand's breadth (common practice, no source).
_QR_MM = 20.0
_LARGE_QR_MM = 28.0
_MOST_COPIES = 1000


def write_label_page(
    book: LotBook,
    lot: int | str,
    out: str | Path | BinaryIO,
    copies: int | None = None,
    paper: str = "a4",
    *,
    zone: tzinfo | None = None,
) -> None:
    """Write labels of a lot as a PDF to cut out: a page full of them, or `copies` of them (1 to 1000).

    The date is that of `zone`, else of this machine. `paper` is "a4" or "letter"; `out` a path or an open binary file. NotFoundError for a lot that does not
    exist; InputError for another paper, an impossible number, or a place that cannot be written.
    """
    size = page_size(paper)
    if copies is not None and (isinstance(copies, bool) or not 1 <= copies <= _MOST_COPIES or copies % 1):
        raise InputError(f"Copies must be a whole number from 1 to {_MOST_COPIES}, not {copies}.")
    story = book.lots.story(lot)
    lines, number = read_label_lines(story, zone), story.lot.label
    margin, pad = _MARGIN_MM * MM, _PAD_MM * MM
    edge = (_QR_MM if len(number.encode()) <= 20 else _LARGE_QR_MM) * MM
    width, length = (size[0] - 2 * margin) / _COLUMNS, size[1] - 2 * margin
    rows, paragraphs = _fit(lines, (width - 3 * pad - edge, length), edge)
    height, each_page = length / rows, rows * _COLUMNS

    def draw(canvas: Any) -> None:
        for k in range(copies or each_page):
            if k and k % each_page == 0:
                canvas.showPage()
            row, column = divmod(k % each_page, _COLUMNS)
            left, top = margin + column * width, size[1] - margin - row * height
            canvas.setStrokeColor(HexColor(HAIRLINE))
            canvas.setLineWidth(0.4)
            canvas.rect(left, top - height, width, height)
            y = top - pad
            for paragraph in paragraphs:
                paragraph.drawOn(canvas, left + pad, y - paragraph.height)
                y -= paragraph.height + paragraph.getSpaceAfter()
            # a QR code (ISO/IEC 18004, level M) with its quiet zone
            code = Drawing(edge, edge)
            code.add(QrCodeWidget(number, barLevel="M", barWidth=edge, barHeight=edge))
            renderPDF.draw(code, canvas, left + width - pad - edge, top - pad - edge)

    write_out(draw_pdf(size, f"Labels of lot {number}", draw), out, "label page")


def _fit(lines: LabelLines, room: tuple[float, float], edge: float) -> tuple[int, list[Any]]:
    """The smallest place and the largest letters that hold all lines: labels down the page, and paragraphs; nothing is
    ever left out. room: the width of a line and the length of all labels, edge: of the QR code, points."""
    fonts = choose_fonts(lines.all())
    for rows in _ROWS:
        for size_pt in _SIZES_PT:
            paragraphs = _set_lines(lines, fonts, size_pt, room[0])
            high = sum(paragraph.height + paragraph.getSpaceAfter() for paragraph in paragraphs)
            if max(high, edge) <= room[1] / rows - 2 * _PAD_MM * MM:
                return rows, paragraphs
    raise InputError("The texts of this label do not fit on half a page. Shorten the name of the drink.")


def _set_lines(lines: LabelLines, fonts: Fonts, size_pt: float, width: float) -> list[Any]:
    def style(size: float, font: str) -> Any:
        options = {"fontName": font, "textColor": HexColor(INK), "spaceAfter": 0.25 * size}
        return ParagraphStyle("label", fontSize=size, leading=_LEADING * size, **options)

    bold, plain = style(size_pt, fonts.bold), style(size_pt, fonts.plain)
    styles = [style(_NAME_FACTOR * size_pt, fonts.bold), bold, *[plain] * (len(lines.all()) - 2)]
    marked = zip(lines.all(), styles, strict=True)
    paragraphs = [Paragraph(fonts.markup(text), chosen) for text, chosen in marked]
    for paragraph in paragraphs:
        paragraph.wrap(width, 10_000)  # its height is known then
    return paragraphs
