"""How much powder or liquid colour goes into a stock; it knows no drops."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from colourmatch.errors import InputError
from colourmatch.liquid.colourants import find_colourant, has_e_number, name_on_label
from colourmatch.words.figures import tell_ml


@dataclass(frozen=True)
class MakeUp:
    """What to weigh or measure for a stock, and the sentence that says it; `dye_g` is pure dye."""

    dye_g: float
    powder_g: float | None
    liquid_ml: float | None
    text: str


def plan_powder(strength_g_per_100ml: float, volume_ml: float, dye_content: float = 1.0, *, us: bool = False) -> MakeUp:
    """Grams of powder for a stock: m = strength * volume / 100 / dye content.

    strength in g of pure dye in 100 ml, up to 100; volume 1 to 100000 ml; dye_content a share above 0, at most 1; us:
    the text gives US measures too.
    InputError says what to mend.
    """
    dye = _pure_dye(strength_g_per_100ml, volume_ml)
    if not 0 < dye_content <= 1:
        raise InputError(
            f"The dye content must be more than 0 and at most 100 %, not {100 * dye_content:g} %. Read it on the bottle."
        )
    grams = dye / dye_content
    advice = ""
    if grams < 0.5:  # 0.01 g of a scale that shows 0.01 g is 2 % of it (common practice, no source)
        advice = " So little weighs badly on a scale that shows 0.01 g: make more, or a stronger one, and thin it."
    text = f"Weigh {grams:.3g} g of powder, dissolve it in a little warm water, make it up to {tell_ml(volume_ml, us)}."
    return MakeUp(dye, grams, None, text + advice)


def plan_liquid(
    strength_g_per_100ml: float, volume_ml: float, bottle_g_per_100ml: float, *, us: bool = False
) -> MakeUp:
    """Millilitres of a liquid colour for a stock: c1 V1 = c2 V2, both strengths in g of pure dye in 100 ml; us as above.

    InputError when the bottle is not stronger than the stock, or a figure is impossible.
    """
    dye = _pure_dye(strength_g_per_100ml, volume_ml)
    if not strength_g_per_100ml <= bottle_g_per_100ml <= 100:
        raise InputError(
            f"A liquid of {bottle_g_per_100ml:g} g in 100 ml cannot be made up to {strength_g_per_100ml:g}. "
            "Choose a weaker stock, or a liquid of up to 100 g in 100 ml."
        )
    ml = 100 * dye / bottle_g_per_100ml
    text = f"Measure {tell_ml(ml, us)} of the liquid and make it up with water to {tell_ml(volume_ml, us)}."
    return MakeUp(dye, None, ml, text)


#: What a bottle may say of its strength -> its words.
BOTTLE_SAYS = {
    "percent": "% w/w of pure dye",
    "e1pct": "E 1 %, 1 cm: absorbance of 1 g in 100 ml",
    "colour_value": "colour value: absorbance of 10 g in 100 ml, 1 cm",
    "a610": "colour intensity of a caramel: absorbance of 0.1 g in 100 ml at 610 nm",
}


def dye_share(colourant: str, bottle: Mapping[str, float | None]) -> float:
    """Pure dye in a gram of what is in a bottle, from the one figure of BOTTLE_SAYS that it states.

    Share = stated E 1 % / E 1 % of the pure dye; the colour value is E 10 % and so ten times E 1 %, a caramel's
    intensity a tenth of it (purity criteria; the colour value from memory). Of a colour without an E number the usual
    bottle counts as 1. InputError for none or several figures, or more than pure dye has.

    >>> round(dye_share("E163", {"colour_value": 150}), 3)
    0.05
    """
    found = find_colourant(colourant)
    told = [(key, value) for key, value in bottle.items() if value is not None]
    if len(told) != 1:
        raise InputError(f"Give the one figure that the bottle states: {'; '.join(BOTTLE_SAYS.values())}.")
    key, value = told[0]
    e1pct = {"e1pct": value, "colour_value": value / 10, "a610": 10 * value}.get(key, 0.0)
    share = value / 100 if key == "percent" else e1pct / found.e1pct_1cm
    pure = has_e_number(found.e_number) and not found.e_number.startswith("E150")
    # laboratory values differ from the purity criteria by up to 38 %
    if not 0 < share <= ((1.4 if key != "percent" else 1.0) if pure else 1000):
        raise InputError(
            f"{value:g} is more than pure {name_on_label(found)} has. Read on the bottle which figure it is: "
            f"{BOTTLE_SAYS[key]}."
        )
    return min(share, 1.0) if pure else share


def _pure_dye(strength_g_per_100ml: float, volume_ml: float) -> float:
    if not 0 < strength_g_per_100ml <= 100:
        raise InputError(
            f"The strength must be more than 0 and at most 100 g in 100 ml, not {strength_g_per_100ml:g}. 1 is usual."
        )
    if not 1 <= volume_ml <= 100_000:
        raise InputError(f"The stock must be 1 to 100000 ml, not {volume_ml:g}. 50 ml last for long.")
    return strength_g_per_100ml * volume_ml / 100
