"""What the printed pages of a lot share: fonts for any script and text made safe.

Plain Western text is set in Helvetica, which every reader has. Any other script takes the first font found
that holds all of its characters and is put into the file; a character that no font here holds is printed as
its number, [U+5C0F], and never left out. Right-to-left scripts are not turned.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from xml.sax.saxutils import escape

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
PAPERS = ("a4", "letter")


@dataclass(frozen=True)
class Fonts:
    """Names of the plain and the bold font, and the characters they hold (None: those of code page 1252)."""

    plain: str
    bold: str
    held: frozenset[int] | None = None

    def holds(self, character: str) -> bool:
        """Whether a character can be set."""
        return _is_western(character) if self.held is None else ord(character) in self.held

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


def _is_western(character: str) -> bool:
    try:
        character.encode("cp1252")
    except UnicodeEncodeError:
        return False
    return True


def choose_fonts(texts: Iterable[object]) -> Fonts:
    """Fonts that hold all characters of the texts, or else most of them."""
    wanted = {sign for text in texts for sign in str(text) if ord(sign) >= 32}
    western = Fonts("Helvetica", "Helvetica-Bold")
    if all(western.holds(sign) for sign in wanted):
        return western
    return max(
        _embedded_fonts(), key=lambda fonts: sum(fonts.holds(sign) for sign in wanted), default=western
    )


@cache
def _embedded_fonts() -> tuple[Fonts, ...]:
    """The pairs of font files that this machine has."""
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFError, TTFont

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
    """Upright width and height in points of "a4" (ISO 216) or "letter" (ANSI/ASME Y14.1); InputError else."""
    from reportlab.lib.pagesizes import A4, LETTER

    name = str(paper).strip().lower()
    if name not in PAPERS:
        raise InputError(f'Paper must be "a4" or "letter", not "{paper}".')
    width, height = A4 if name == "a4" else LETTER
    return float(width), float(height)
