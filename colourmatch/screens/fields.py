"""Fields for the figures of a lot and a glass, its hand and the lines of its label; the limits are those of the book."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st

from colourmatch.book.checks import LABEL_LINES, LIMITS

#: Figure -> what its field is called, and its step.
_FIELDS = {
    "volume_ml": ("Batch, ml", 50.0),
    "ceiling_mg_per_l": ("Your ceiling, mg/l", 5.0),
    "already_mg_per_l": ("Colour already in, mg/l", 1.0),
    "tolerance": ("Tolerance, CIEDE2000", 0.1),
    "depth_mm": ("Depth in the glass, mm", 1.0),
    "dilution": ("Thinned, 1 part made up to", 1.0),
    "made_up_to": ("By its label, 1 part made up to", 1.0),
}
#: Line of the label -> what its field is called.
_LINES = {
    "ingredients": "Ingredients, without the colours",
    "contents": "Contents",
    "best_before": "Best before",
    "producer": "Producer",
    "keeping": "How to keep it",
}


def ask_figure(place: Any, name: str, key: str, value: float | None, *, words: str = "", **other: Any) -> Any:
    """A field for a figure in a place of the page; `words` call it otherwise, `other` goes to the field as it is."""
    called, step = _FIELDS[name]
    _, low, _, high, _ = LIMITS[name]
    limits = {"min_value": float(low), "max_value": float(high), "step": step, "format": "%g"}
    return place.number_input(words or called, value=value, key=key, **limits | other)


def ask_hand(key: str, value: str = "drops") -> str:
    """In what doses are measured."""
    return st.segmented_control(
        "Doses measured in", ["drops", "ml", "grams"], default=value, required=True, key=key,
        help="Drops where nothing else is said. On a scale, grams.",
    )  # fmt: skip


def ask_label_lines(key: str, now: Mapping[str, str]) -> dict[str, str]:
    """The maker's own lines of the label, those that are written."""
    with st.expander("Lines of the label"):
        lines = {
            name: st.text_input(_LINES[name], value=now.get(name, ""), key=key.format(name), max_chars=500)
            for name in LABEL_LINES
        }
    return {name: line.strip() for name, line in lines.items() if line.strip()}
