"""How deep and how thinned liquids are shown: in a photo, and where the match is judged; it knows no fit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from colourmatch.book.entries import Lot
from colourmatch.liquid.model import View

if TYPE_CHECKING:
    from colourmatch.measurement import Measurement, OwnView


def photo_view(head: Lot, measurement: Measurement | None) -> View:
    """How deep and how thinned a photo shows the liquids: as its own record says, else as the lot's head does."""
    return own_view(head, measurement.view if measurement else None)


def own_view(head: Lot, seen: OwnView | None) -> View:
    """How deep and how thinned liquids are shown where this much was said of it."""
    depth_mm = seen.depth_mm if seen and seen.depth_mm is not None else head.depth_mm
    dilution = seen.dilution if seen and seen.dilution is not None else head.dilution
    return View(float(depth_mm), float(dilution))


def views_of(head: Lot) -> tuple[View, ...]:
    """Where the match is judged: the serving conditions of the lot, else as measured."""
    conditions = (head.serving or {}).get("conditions") or []
    views = tuple(
        View(
            float(c.get("depth_mm", head.depth_mm)),
            float(c.get("dilution", head.dilution)),
            str(c.get("illuminant", "D65")),
            float(c.get("weight", 1.0)),
            str(c.get("name", "serving")),
        )
        for c in conditions
    )
    return views or (photo_view(head, None),)
