"""Amounts as people type them, with or without a unit, and the question that an absurd size raises.
Command line and app ask here; it knows no book. Which sizes are usual is common practice, no source.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from colourmatch.errors import InputError
from colourmatch.words.figures import tell_drops, tell_typed

_ML = {"ml": 1.0, "l": 1000.0, "dl": 100.0, "cl": 10.0, "ul": 0.001}
_MM = {"mm": 1.0, "cm": 10.0}
_G = {"g": 1.0, "kg": 1000.0, "mg": 0.001, "ug": 1e-6}
_MG_PER_L = {"mg/l": 1.0, "g/l": 1000.0, "ug/l": 0.001, "mg/ml": 1000.0, "g/100ml": 10_000.0}
_G_PER_100ML = {"g/100ml": 1.0, "%": 1.0, "g/l": 0.1, "mg/ml": 0.1, "mg/l": 0.0001}
#: Other spellings of a unit.
_SPELLINGS = {
    "litre": "l", "litres": "l", "liter": "l", "liters": "l", "millilitre": "ml", "millilitres": "ml",
    "milliliter": "ml", "milliliters": "ml", "µl": "ul", "μl": "ul", "gram": "g", "grams": "g", "µg": "ug",
    "μg": "ug", "µg/l": "ug/l", "μg/l": "ug/l", "g/100 ml": "g/100ml",
}  # fmt: skip


class Slip(NamedTuple):
    """Another reading of a bare number: so many times as much; `unit` where another unit was meant, not a digit."""

    factor: float
    unit: str = ""


@dataclass(frozen=True)
class Size:
    """A kind of amount: its words, its units, what is usual of it, and the other readings of an unusual one.

    The first unit, of factor 1, is that of a bare number. Below `asked_below` or above `high` another reading that is
    usual is asked about; a usual amount and one without a better reading never are.
    """

    words: str
    units: Mapping[str, float]
    low: float
    high: float
    slips: tuple[Slip, ...] = ()
    asked_below: float | None = None

    @property
    def unit(self) -> str:
        """The unit of a bare number."""
        return next(iter(self.units))

    def is_usual(self, value: float) -> bool:
        """Whether an amount, in the first unit, is of a usual size."""
        return self.low <= value <= self.high

    def is_unusual(self, value: float) -> bool:
        """Whether an amount is so far from usual that another reading is looked for."""
        return value > self.high or value < (self.low if self.asked_below is None else self.asked_below)

    def find_slip(self, value: float, *, has_unit: bool) -> Slip | None:
        """The first other reading of an unusual amount that is usual; has_unit: no other unit was meant."""
        known = [slip for slip in self.slips if not (slip.unit and has_unit)] if self.is_unusual(value) else []
        return next((slip for slip in known if self.is_usual(_times(value, slip.factor))), None)


#: What is usual: common practice, no source.
SIZES = {
    # 0.5 to 20 are nearly surely litres; from 30 ml on it may be a trial in a small glass
    "batch": Size("a batch", _ML, 100, 200_000, (Slip(1000, "l"), Slip(0.001)), asked_below=30),
    "drop": Size("a drop", _ML, 0.02, 0.1, (Slip(0.1), Slip(10), Slip(0.001, "ul"))),
    "depth": Size("the liquid in a glass", _MM, 3, 100, (Slip(10, "cm"),)),
    "glass": Size("the liquid in a glass", _MM, 1, 200),
    "stock": Size("a stock that is made", _ML, 5, 5000, (Slip(1000, "l"),)),
    "water": Size("the water for known liquids", _ML, 30, 5000, (Slip(1000, "l"),)),
    "dose": Size("a dose of stock", _ML, 0.02, 200),
    "part": Size("a part of a batch", _ML, 1, 20_000),
    "dose weighed": Size("a dose of stock", _G, 0.02, 200),
    "drops weighed": Size("the weight of 20 to 50 drops", _G, 0.3, 10),
    "content": Size("colour in a drink", _MG_PER_L, 0.5, 2000),
    "strength": Size("a stock", _G_PER_100ML, 0.01, 50),
}  # fmt: skip


@dataclass(frozen=True)
class Question:
    """An amount that is hardly meant as it was read, with its other reading; `text` asks in one sentence."""

    said: str
    usual: str
    other: str
    typed_other: str
    meant: str
    typed_meant: str = ""
    bare_other: str = ""

    def text(self, how: str = "add --sure", *, bare: bool = False) -> str:
        """Both readings and how to say each; `how` says that it was meant as read, `bare`: no unit can be typed."""
        confirm = f"type {self.typed_meant}" if self.typed_meant else how
        usual = f", but {self.usual}" if self.usual else ""
        other = self.bare_other if bare and self.bare_other else self.typed_other
        return f"{self.said}{usual}: if {self.other} is meant, type {other}; if {self.meant} is meant, {confirm}."


class Amount(NamedTuple):
    """An amount in the first unit of its size, and what has to be asked before it is taken."""

    value: float
    question: Question | None = None


def parse_number(value: object, what: str) -> float:
    """A finite number of 0 or more from what was typed; InputError with the name of the option.

    "0,05" is 0.05. "1,500" is refused: it is one and a half in some countries, fifteen hundred in others.
    """
    text = str(value).strip()
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", text):
        half = float(text.replace(",", "."))
        raise InputError(f"{what} is {text}, which can be read in two ways. Write {text.replace(',', '')} or {half}.")
    if text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    if not re.fullmatch(r"[+-]?((\d+\.?\d*|\.\d+)(e[+-]?\d+)?|nan|inf(inity)?)", text, re.IGNORECASE):
        raise InputError(f"{what} is {str(value)!r}, which is not a number. Write digits, such as 12 or 0.5.")
    number = float(text)
    if not math.isfinite(number):
        raise InputError(f"{what} is {text}. Give a number that can be measured.")
    if number < 0:
        raise InputError(f"{what} is {number:g}. Give a number that is not negative.")
    return number


def read_amount(typed: object, what: str, size: Size) -> Amount:
    """An amount with or without its unit, in the first unit of its size; InputError names `what` was mistyped.

    >>> read_amount("2,5 l", "--volume-ml", SIZES["batch"]).value
    2500.0
    >>> print(read_amount("2", "--volume-ml", SIZES["batch"]).question.text())
    --volume-ml 2 is 2 ml, but a batch is usually 100 ml to 200 l: if 2 l is meant, type '2 l'; if 2 ml is meant, add --sure.
    """
    text = str(typed).strip()
    number, unit = _split_unit(text, what, size)
    factor = size.units[unit or size.unit]
    if re.fullmatch(r"[1-9]\d{0,2}[.,]\d{3}", number):
        return _read_grouped(f"{what} {text}", (number, unit), size)
    value = _times(parse_number(number, what), factor)
    return Amount(value, ask_about(value, f"{what} {text}", size, has_unit=bool(unit)))


def has_unit_of(typed: str, size: Size) -> bool:
    """Whether an amount was typed with a unit of this size."""
    unit = " ".join(typed.lstrip("+-0123456789., ").casefold().split())
    return _SPELLINGS.get(unit, unit) in size.units


def ask_about(value: float, said: str, size: Size, *, has_unit: bool = False) -> Question | None:
    """What has to be asked about an amount in its first unit, None when nothing; has_unit: it was typed."""
    slip = size.find_slip(value, has_unit=has_unit)
    if slip is None:
        return None
    read, other = tell_typed(value), tell_typed(_times(value, slip.factor))
    in_litres = size.unit == "ml" and size.high >= 1000
    high = f"{size.high / 1000:g} l" if in_litres else f"{tell_typed(size.high)} {size.unit}"
    meant, typed = (f"{read} {slip.unit}", f"'{read} {slip.unit}'") if slip.unit else (f"{other} {size.unit}", other)
    return Question(
        f"{said} is {read} {size.unit}",
        f"{size.words} is usually {tell_typed(size.low)} {size.unit} to {high}",
        meant, typed, f"{read} {size.unit}", bare_other=other,
    )  # fmt: skip


def ask_about_weighing(drops: float, grams: float, density_g_per_ml: float) -> Question | None:
    """What has to be asked about weighed drops: a digit slipped when a drop comes out ten times too large or small."""
    size = SIZES["drop"]
    drop_ml = grams / drops / density_g_per_ml if drops > 0 and density_g_per_ml > 0 else 0.0
    slip = size.find_slip(drop_ml, has_unit=True)
    if slip is None:
        return None
    read, other = tell_typed(grams), tell_typed(_times(grams, slip.factor))
    return Question(
        f"{tell_drops(drops)} of {read} g together are {drop_ml:.3g} ml each",
        f"a drop is usually {size.low:g} to {size.high:g} ml",
        f"{other} g", other, f"{read} g",
    )  # fmt: skip


def _read_grouped(said: str, typed: tuple[str, str], size: Size) -> Amount:
    """What "1.500" or "1,500" says with the unit that was typed: asked about where 1500 is usual."""
    number, unit = typed[0], typed[1] or size.unit
    factor = size.units[unit]
    part, whole = float(number.replace(",", ".")), float(re.sub(r"[.,]", "", number))
    value = _times(part, factor)
    if not size.is_usual(_times(whole, factor)):
        return Amount(value, ask_about(value, said, size, has_unit=bool(typed[1])))
    many, few = f"{tell_typed(whole)} {unit}", f"{tell_typed(part)} {unit}"
    quoted, short = (f"'{many}'", f"'{few}'") if typed[1] else (tell_typed(whole), tell_typed(part))
    again = size.slips and size.is_unusual(value)  # it would be asked about without the point, too
    return Amount(value, Question(f"{said} can be read in two ways", "", many, quoted, few, "" if again else short))


def _split_unit(text: str, what: str, size: Size) -> tuple[str, str]:
    """The number and the unit that were typed, the unit "" for a bare number; InputError for another kind of unit."""
    found = re.fullmatch(r"([+-]?[\d.,]+(?:e[+-]?\d+)?)\s*([a-zµμ%][a-zµμ%/0-9 ]*)?", text, re.IGNORECASE)
    if found is None or not found[2]:
        return text, ""
    unit = " ".join(found[2].casefold().split())
    unit = _SPELLINGS.get(unit, unit)
    if unit not in size.units:
        raise InputError(
            f"{what} is {text!r}, whose unit does not fit. Give it in {', '.join(size.units)}, "
            f"such as '12 {size.unit}'."
        )
    return found[1], unit


def _times(value: float, factor: float) -> float:
    """A product without the tail of its binary form: 0.9 l are 900 ml."""
    return float(f"{value * factor:.12g}")
