"""Figures in words, with their uncertainty: told alike on the command line, on pages and on paper."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple, Protocol


class Signs(NamedTuple):
    """The signs that a medium has: of a negative number, before a spread, and for what is not there."""

    minus: str
    spread: str
    none: str


#: A terminal and JSON, paper (the fonts that every reader has hold no true minus sign), and pages.
PLAIN, PAPER, PAGES = Signs("-", "+-", "-"), Signs("-", "± ", "–"), Signs("−", "± ", "–")
#: US measures, NIST Handbook 44, appendix C.
ML_PER_FLOZ, ML_PER_TSP = 29.57353, 4.928922
#: Its three parts.
Lab = Iterable[float]


class Ranged(Protocol):
    """A figure with its interval that tells its value, low and high."""

    def to_json(self) -> Mapping[str, Any]: ...


#: A figure with its interval, as a record or as JSON.
Figure = Ranged | Mapping[str, Any]


def tell_interval(figure: Figure | None, digits: int = 1, signs: Signs = PLAIN) -> str:
    """A figure with its 95 % interval: "9.2 (8.8 to 9.6)"; "at most 1.1" where the interval reaches 0.

    figure: value, low, high; None, or one without a value, is told as not there.

    >>> tell_interval({"value": 9.2, "low": 8.8, "high": 9.6})
    '9.2 (8.8 to 9.6)'
    >>> tell_interval({"value": 0.4, "low": 0.02, "high": 1.1})
    'at most 1.1'
    """
    ends = None if figure is None else ends_of(figure)
    if ends is None or ends[0] is None:
        return signs.none
    value, low, high = (tell_number(end, digits, signs) for end in ends)
    if ends[1] >= 0 and float(low) == 0 and float(high) > 0:
        return f"at most {high}"
    return f"{value} ({low} to {high})"


def tell_factor(learnt: Iterable[float], signs: Signs = PLAIN) -> str:
    """How strong a stock is of what its label says, with the 95 % ends: "0.88 (0.78 to 0.99)"."""
    return tell_interval(dict(zip(("value", "low", "high"), learnt, strict=True)), 2, signs)


def ends_of(figure: Figure) -> tuple[Any, Any, Any]:
    """Value, low and high of a figure."""
    told = figure if isinstance(figure, Mapping) else figure.to_json()
    return told.get("value"), told.get("low"), told.get("high")


def tell_number(value: float | None, digits: int = 1, signs: Signs = PLAIN) -> str:
    """A number with fixed decimals; a zero has no sign.

    >>> tell_number(-0.04), tell_number(-1.25, 2, PAGES), tell_number(None)
    ('0.0', '−1.25', '-')
    """
    if value is None:
        return signs.none
    text = f"{value:.{digits}f}"
    return text.replace("-", signs.minus) if float(text) else text.lstrip("-")


def tell_spread(value: float | None, sd: float | None, digits: int = 1, signs: Signs = PLAIN) -> str:
    """A value with its standard deviation, where there is one: "9.2 +-0.4"."""
    spread = "" if value is None or sd is None else f" {signs.spread}{tell_number(sd, digits, signs)}"
    return f"{tell_number(value, digits, signs)}{spread}"


def tell_percent(rel_sd: float, signs: Signs = PLAIN) -> str:
    """A relative standard deviation: "+-20 %"."""
    return f"{signs.spread}{tell_number(100 * rel_sd, 0, signs)} %"


def tell_lab(lab: Lab | None, sd: Lab | None = None, digits: int = 1, signs: Signs = PLAIN) -> str:
    """A colour, each part with its standard deviation where there is one: "L* 60.0 +-0.5, a* 45.0 +-0.6, b* 3.0 +-0.7"."""
    if lab is None:
        return signs.none
    parts = zip(("L*", "a*", "b*"), lab, (None, None, None) if sd is None else sd, strict=True)
    return ", ".join(f"{axis} {tell_spread(value, spread, digits, signs)}" for axis, value, spread in parts)


def tell_drift(figure: Any, difference: Any, signs: Signs = PLAIN) -> str:
    """How far and which way a colour has moved, by their records: "drift CIEDE2000 2.1 (1.2 to 3.0), paler"."""
    seen = difference.text if difference.seen else "no drift seen"
    return f"drift CIEDE2000 {tell_interval(figure, signs=signs)}, {seen}"


def tell_typed(value: float) -> str:
    """A figure that somebody typed, with all its digits and none that a computer adds.

    >>> tell_typed(60.0), tell_typed(0.1 + 0.2), tell_typed(1234567.0)
    ('60', '0.3', '1234567')
    """
    return f"{value:.10g}"


def tell_amount(value: float | None, signs: Signs = PLAIN) -> str:
    """An amount to three figures without an exponent: 0.0512, 12.2, 1234."""
    return signs.none if value is None else _round(value, 0)


def jug_ml(ml: float, *, at_most: bool = False) -> float:
    """A volume as a jug can be read, to two figures: 886.4 gives 890; at_most: never more than it is, 880."""
    if ml <= 0 or not at_most:
        return float(f"{max(ml, 0.0):.2g}")
    step = 10.0 ** (math.floor(math.log10(ml)) - 1)
    return float(f"{math.floor(ml / step + 1e-9) * step:.2g}")


def tell_contents(mg_per_l: Mapping[str, float]) -> str:
    """What a liquid holds of each stock: "red 6 mg/l, yellow 4 mg/l"."""
    return ", ".join(f"{stock} {tell_amount(mg)} mg/l" for stock, mg in mg_per_l.items())


def tell_ml(ml: float, us: bool = False) -> str:
    """A volume: "0.45 ml", "900.6 ml"; `us`: with US kitchen measures, "50 ml (1.69 fl oz)", "5 ml (1.01 tsp)"."""
    text = f"{_round(ml, 1)} ml"
    if not us or ml < ML_PER_TSP / 4:
        return text
    per, unit = (ML_PER_FLOZ, "fl oz") if ml >= ML_PER_FLOZ else (ML_PER_TSP, "tsp")
    return f"{text} ({_round(ml / per, 0)} {unit})"


def _round(value: float, least: int) -> str:
    """Three figures, or `least` decimals where those are more."""
    value = round(value, 6)
    digits = max(least, 2 - math.floor(math.log10(abs(value)))) if value else 0
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def tell_left(left_mg_per_l: float) -> str:
    """Room under a ceiling: "12.2 mg/l left", "3 mg/l over"."""
    return f"{tell_amount(abs(left_mg_per_l))} mg/l {'over' if left_mg_per_l < -1e-6 else 'left'}"


def tell_drops(count: float, span: tuple[float | None, float | None] = (None, None), kind: str = "") -> str:
    """A number of drops in words, with its range where there is one; `kind` stands before the word.

    >>> tell_drops(1), tell_drops(2), tell_drops(0.5), tell_drops(1, (0, 3), "more")
    ('1 drop', '2 drops', '0.5 drops', '1 (0 to 3) more drops')
    """
    low, high = span
    known = low is not None and high is not None
    shown = tell_typed(count) + (f" ({low:.0f} to {high:.0f})" if known else "")
    one = count == 1 and (not known or low == high)
    return f"{shown} {kind}{' ' if kind else ''}{'drop' if one else 'drops'}"


def begin(text: str) -> str:
    """Words as the beginning of a sentence; the rest stays as it is.

    >>> begin("photo 3 of E129")
    'Photo 3 of E129'
    """
    return text[:1].upper() + text[1:]


def tell_quantity(quantity: float, unit: str) -> str:
    """What went in as it was typed, the unit "drops", "ml" or "grams": "12 drops", "0.6 ml", "1.5 g"."""
    if unit == "drops":
        return tell_drops(quantity)
    return f"{tell_typed(quantity)} {'g' if unit == 'grams' else unit}"
