"""Sketches: the card with its glasses from above, a glass from the side; they read no photo."""

from __future__ import annotations

from colourmatch.photo.card import read_card
from colourmatch.screens.html import as_address

#: drink-like colours that differ as a reference and a pale batch do
_FILLS = {"reference": "#c9503a", "batch": "#e08a72", "blank": "#f4f8f9"}
_WORDS = "The card from above: reference, batch and water in three rings, black squares around them."


def picture_of_card() -> str:
    """The card from above as an HTML image; every place in it is that of the card's file."""
    card = read_card()
    width, height = card.block_mm
    half = card.marker_size_mm / 2
    squares = "".join(
        f'<rect x="{x - half:g}" y="{y - half:g}" width="{2 * half:g}" height="{2 * half:g}"/>'
        for x, y in card.marker_centres_mm.values()
    )
    radius = card.ring_diameter_mm / 2
    glasses = "".join(
        f'<circle cx="{x:g}" cy="{y:g}" r="{radius - 3:g}" fill="{_FILLS[name]}" '
        f'stroke="#555" stroke-width="1.5"/><text x="{x:g}" y="{y + radius + 11:g}" '
        f'font-size="11" text-anchor="middle" fill="#1c1f20">{"water" if name == "blank" else name}</text>'
        for name, (x, y) in card.spots.items()
    )
    drawn = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-8 -8 {width + 16:g} {height + 16:g}" '
        f'font-family="sans-serif"><rect x="-7" y="-7" width="{width + 14:g}" height="{height + 14:g}" '
        f'rx="6" fill="#fff" stroke="#b9bdbe"/>{squares}{glasses}</svg>'
    )
    return f'<img class="cm-card" alt="{_WORDS}" src="{as_address(drawn.encode(), "svg+xml")}">'


def picture_of_glass(depth_mm: float, dilution: float, *, warm: bool) -> str:
    """A glass from the side as an HTML image: as full as it is deep, the paler the thinner, under its light."""
    top, floor, half = 92 - 1.1 * depth_mm, 92.0, 13 + 400 / (depth_mm + 10)
    strength = 0.3 + 0.6 / dilution**0.5
    lamp = "#f0b45a" if warm else "#9fc6e8"
    drawn = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 110">'
        f'<circle cx="88" cy="12" r="9" fill="{lamp}"/>'
        f'<path d="M{50 - half:g} {top:g}H{50 + half:g}V{floor:g}H{50 - half:g}z" fill="{_FILLS["reference"]}" '
        f'fill-opacity="{strength:.2f}"/>'
        f'<path d="M{50 - half:g} {top - 14:g}V{floor + 6:g}H{50 + half:g}V{top - 14:g}" fill="none" stroke="#7d8588" '
        'stroke-width="3" stroke-linejoin="round"/></svg>'
    )
    return f'<img class="cm-glass" alt="" src="{as_address(drawn.encode(), "svg+xml")}">'
