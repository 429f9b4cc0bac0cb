"""The address with the code as a QR code, for a terminal and for a page."""

from __future__ import annotations

import io

import segno


def _code(text: str) -> segno.QRCode:
    return segno.make(text, error="m", micro=False)


def draw_for_terminal(text: str) -> str:
    """Lines of half blocks, light on dark as on a dark terminal, with the quiet zone of the standard."""
    out = io.StringIO()
    _code(text).terminal(out, border=4, compact=True)
    return out.getvalue().rstrip("\n")


def draw_for_page(text: str) -> str:
    """A picture as the address of an image (data:), black on white whatever the page's colours."""
    return str(_code(text).svg_data_uri(scale=6, border=4, light="#fff", dark="#000"))
