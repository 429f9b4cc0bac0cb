"""The lot sheet: one lot on paper, corrected entries too, for a colleague or a food inspector; it reads the book and
judges nothing. What does not fit on the first page flows on; the parts are in sheet_parts.py, the charts in
sheet_plots.py."""

from __future__ import annotations

from datetime import tzinfo
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

from reportlab.lib.colors import HexColor
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

from colourmatch.book.lot_book import LotBook
from colourmatch.files import write_out
from colourmatch.paper.page import MM, MUTED, Fonts, page_size
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
    parts = Parts(book, story, size[0] - 2 * _MARGIN_MM * MM, zone)
    buffer = BytesIO()
    title = f"Lot {head.label}: {head.name}"
    document = BaseDocTemplate(buffer, pagesize=size, title=title, author="colourmatch", invariant=1)
    left, bottom = _MARGIN_MM * MM, _FOOT_MM * MM
    room = (size[0] - 2 * left, size[1] - bottom - _TOP_MM * MM)
    frame = Frame(left, bottom, *room, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0)
    document.addPageTemplates([PageTemplate(frames=[frame])])
    foot = f"Lot {head.label} · {head.name}"
    times = tell_zones((head.created_at, *(e.created_at for e in story.events)), zone)
    document.build(parts.all(), canvasmaker=_numbered_canvas(parts.fonts, foot, f"All times are {times}"))
    write_out(buffer.getvalue(), out, "lot sheet")


def _numbered_canvas(fonts: Fonts, foot: str, times: str) -> Any:
    """A canvas that knows at the end how many pages there are, and writes the foot of each."""

    class Numbered(Canvas):
        def __init__(self, *args: Any, **options: Any) -> None:
            super().__init__(*args, **options)
            self.pages: list[dict[str, Any]] = []

        def showPage(self) -> None:
            self.pages.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            pages, left = self.pages, _MARGIN_MM * MM
            for number, page in enumerate(pages, 1):
                self.__dict__.update(page)
                width, y = self._pagesize[0], 8.5 * MM
                self.setFillColor(HexColor(MUTED))
                self.setFont(fonts.plain, 7)
                right = f"{times} · page {number} of {len(pages)}"
                room = width - 2 * left - stringWidth(right, fonts.plain, 7) - 12
                self.drawString(left, y, _shorten(fonts.plain_text(foot), fonts.plain, room))
                self.drawRightString(width - left, y, right)
                super().showPage()
            super().save()

    def _shorten(text: str, font: str, room: float) -> str:
        if stringWidth(text, font, 7) <= room:
            return text
        while text and stringWidth(text + "...", font, 7) > room:
            text = text[:-1]
        return text + "..."

    return Numbered
