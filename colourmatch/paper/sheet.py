"""The lot sheet: one lot on paper, corrected entries too, for a colleague or a food inspector; it reads the book and
judges nothing. What does not fit on the first page flows on; the parts are in sheet_parts.py."""

from __future__ import annotations

from datetime import tzinfo
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

from reportlab.lib.colors import HexColor
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

from colourmatch.book.lot_book import LotBook
from colourmatch.files import write_out
from colourmatch.paper.page import MM, MUTED, page_size
from colourmatch.paper.sheet_parts import Parts
from colourmatch.words.times import tell_zones

_MARGIN_MM, _FOOT_MM, _TOP_MM = 15.0, 16.0, 14.0


def write_lot_sheet(
    book: LotBook,
    lot: int | str,
    out: str | Path | BinaryIO,
    paper: str = "a4",
    *,
    zone: tzinfo | None = None,
) -> None:
    """Write the sheet of a lot as a PDF, to a path or an open binary file.

    Times are those of `zone`, else of this machine, and the foot of each page names it. `paper` is "a4" or "letter". NotFoundError for a lot that does not exist, InputError for another paper or
    a place that cannot be written.
    """
    size = page_size(paper)
    story = book.lots.story(lot)
    head = story.lot
    left, bottom = _MARGIN_MM * MM, _FOOT_MM * MM
    parts = Parts(book, story, size[0] - 2 * left, zone)
    times = tell_zones((head.created_at, *(e.created_at for e in story.events)), zone)
    font, foot = parts.fonts.plain, parts.fonts.plain_text(f"Lot {head.label} · {head.name}")

    def build(pages: int) -> BaseDocTemplate:
        """The document, as if it had so many pages: only at its end it is known how many."""

        def draw_foot(canvas: Any, document: BaseDocTemplate) -> None:
            right = f"All times are {times} · page {document.page} of {pages}"
            canvas.setFillColor(HexColor(MUTED))
            canvas.setFont(font, 7)
            room = size[0] - 2 * left - stringWidth(right, font, 7) - 12
            canvas.drawString(left, 8.5 * MM, _shorten(foot, font, room))
            canvas.drawRightString(size[0] - left, 8.5 * MM, right)

        options = {"title": f"Lot {head.label}: {head.name}", "author": "colourmatch", "invariant": 1}
        document = BaseDocTemplate(BytesIO(), pagesize=size, **options)
        room = size[0] - 2 * left, size[1] - bottom - _TOP_MM * MM
        frame = Frame(left, bottom, *room, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0)
        document.addPageTemplates([PageTemplate(frames=[frame], onPage=draw_foot)])
        document.build(parts.all())
        return document

    document = build(build(1).page)
    write_out(document.filename.getvalue(), out, "lot sheet")


def _shorten(text: str, font: str, room: float) -> str:
    if stringWidth(text, font, 7) <= room:
        return text
    while text and stringWidth(text + "...", font, 7) > room:
        text = text[:-1]
    return text + "..."
