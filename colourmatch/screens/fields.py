"""Number fields for the figures of a lot and a glass: the limits are those of the book, and stand nowhere else."""

from __future__ import annotations

from typing import Any

from colourmatch.book.checks import LIMITS

#: Figure -> what its field is called, and its step.
_FIELDS = {
    "volume_ml": ("Batch, ml", 50.0),
    "ceiling_mg_per_l": ("Your ceiling, mg/l", 5.0),
    "already_mg_per_l": ("Colour already in, mg/l", 1.0),
    "tolerance": ("Tolerance, CIEDE2000", 0.1),
    "depth_mm": ("Depth in the glass, mm", 1.0),
    "dilution": ("Thinned, 1 part made up to", 1.0),
}


def ask_figure(place: Any, name: str, key: str, value: float | None, *, words: str = "", **other: Any) -> Any:
    """A field for a figure in a place of the page; `words` call it otherwise, `other` goes to the field as it is."""
    called, step = _FIELDS[name]
    _, low, _, high, _ = LIMITS[name]
    limits = {"min_value": float(low), "max_value": float(high), "step": step, "format": "%g"}
    return place.number_input(words or called, value=value, key=key, **limits | other)
