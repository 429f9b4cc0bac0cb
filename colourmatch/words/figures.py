"""Figures in words, with their uncertainty: told alike on the command line, on pages and on paper."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def tell_interval(
    figure: Mapping[str, Any] | None, digits: int = 1, *, minus: str = "-", none: str = "-"
) -> str:
    """A figure with its 95 % interval: "9.2 (8.8 to 9.6)"; "at most 1.1" where the interval reaches 0.

    figure: value, low, high; None, or one without a value, is told as `none`. minus: the sign of the medium.

    >>> tell_interval({"value": 9.2, "low": 8.8, "high": 9.6})
    '9.2 (8.8 to 9.6)'
    >>> tell_interval({"value": 0.4, "low": 0.02, "high": 1.1})
    'at most 1.1'
    """
    if not figure or figure.get("value") is None:
        return none
    value, low, high = (tell_number(figure[part], digits, minus=minus) for part in ("value", "low", "high"))
    if figure["low"] >= 0 and float(low) == 0 and float(high) > 0:
        return f"at most {high}"
    return f"{value} ({low} to {high})"


def tell_number(value: float, digits: int = 1, *, minus: str = "-") -> str:
    """A number with fixed decimals; a zero has no sign.

    >>> tell_number(-0.04), tell_number(-1.25, 2, minus="−")
    ('0.0', '−1.25')
    """
    text = f"{value:.{digits}f}"
    return text.replace("-", minus) if float(text) else text.lstrip("-")
