"""What the printed pages of a lot share: fonts and text made safe. Western text is set in Helvetica, other scripts in
the first font here that holds all their characters; one that none holds is printed as its number, [U+5C0F].
Right-to-left is not turned."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from reportlab.pdfbase.pdfmetrics import registerFont
from reportlab.pdfbase.ttfonts import TTFError, TTFont
from reportlab.pdfgen.canvas import Canvas

from colourmatch.errors import InputError

INK, MUTED, HAIRLINE, TINT, ACCENT = "#1b1f23", "#59636e", "#c9ced4", "#f3f5f6", "#1f5f6b"
#: The first comes with reportlab; the others are where many systems have them.
_FONT_FILES = (
    ("Vera.ttf", "VeraBd.ttf"),
    ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"),
    ("NotoSans-Regular.ttf", "NotoSans-Bold.ttf"),
    ("arial.ttf", "arialbd.ttf"),
    ("Arial Unicode.ttf", "Arial Unicode.ttf"),
)
#: Points in a millimetre.
MM = 72.0 / 25.4
#: Upright width and height, mm. Sources: ISO 216 (A4), ANSI/ASME Y14.1 (Letter).
UPRIGHT_MM: dict[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}


@dataclass(frozen=True)
class Fonts:
    """Names of the plain and the bold font, and the characters they hold (None: those of code page 1252)."""

    plain: str
    bold: str
    held: frozenset[int] | None = None

    def holds(self, character: str) -> bool:
        """Whether a character can be set."""
        if self.held is None:
            return bool(character.encode("cp1252", "ignore"))
        return ord(character) in self.held

    def plain_text(self, text: object) -> str:
        """The text with what cannot be set as its number, line breaks kept, other control characters gone."""
        return "".join(
            "\n" if sign == "\n" else sign if self.holds(sign) else f"[U+{ord(sign):04X}]"
            for sign in str(text).replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ")
            if sign == "\n" or ord(sign) >= 32
        )

    def markup(self, text: object) -> str:
        """The text for a paragraph: nothing in it is taken for markup, line breaks stay."""
        return escape(self.plain_text(text)).replace("\n", "<br/>")


def choose_fonts(texts: Iterable[object]) -> Fonts:
    """Fonts that hold all characters of the texts, or else most of them."""
    wanted = {sign for text in texts for sign in str(text) if ord(sign) >= 32}
    western = Fonts("Helvetica", "Helvetica-Bold")
    if all(western.holds(sign) for sign in wanted):
        return western
    return max(_embedded_fonts(), key=lambda fonts: sum(fonts.holds(sign) for sign in wanted), default=western)


@cache
def _embedded_fonts() -> tuple[Fonts, ...]:
    """The pairs of font files that this machine has."""
    found = []
    for files in _FONT_FILES:
        try:
            fonts = [TTFont(f"colourmatch-{Path(file).stem}", file) for file in files]
        except (TTFError, OSError):
            continue
        for font in fonts:
            registerFont(font)
        held = frozenset.intersection(*(frozenset(font.face.charToGlyph) for font in fonts))
        found.append(Fonts(fonts[0].fontName, fonts[1].fontName, held))
    return tuple(found)


def page_size(paper: str) -> tuple[float, float]:
    """Upright width and height in points of "a4" or "letter"; InputError else."""
    size = UPRIGHT_MM.get(str(paper).strip().lower())
    if size is None:
        raise InputError(f'Paper must be "a4" or "letter", not "{paper}".')
    return size[0] * MM, size[1] * MM


def draw_pdf(size: tuple[float, float], title: str, draw: Callable[[Any], None]) -> bytes:
    """A PDF of pages of a size in points that a viewer prints as large as they are; `draw` gets the canvas."""
    buffer = BytesIO()
    canvas = Canvas(buffer, pagesize=size, invariant=1)
    canvas.setTitle(title)
    canvas.setAuthor("colourmatch")
    canvas.setViewerPreference("PrintScaling", "None")
    draw(canvas)
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()
